"""Reading trip.toml: route, departure, daily rules."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time
from typing import Any, TypeVar

from planner.files.dates import clock_of, either_moment, moment_of
from planner.files.names import PlaceNames
from planner.files.reading import Problems
from planner.files.tomlfile import Section, toml_of
from planner.model.trip import DayRules, Event, Halt, ServiceItem, TripSettings, passing_of
from thermal.errors import UnitError, shown
from thermal.units import to_fuel_use

FILE = "trip.toml"
TOP_KEYS = (
    *("name", "units", "start", "finish", "via", "route", "departure"),
    *("confidence", "thin", "air_conditioning", "nights", "day", "halt"),
    *("prefer", "rest", "event", "finish_by", "risk", "service", "morning", "weather"),
    *("speeds", "assumed", "fuel_use", "days", "arrive"),
)
DAY_KEYS = (
    *("driving", "start", "earliest", "lodging_only", "break_every", "break"),
    *("before_sunset", "daylight", "avoid_heat", "least_rest"),
)
MORNING_KEYS = ("on", "at")
_OTHER_MORNING = {"date": "on", "day": "on", "start": "at", "time": "at", "departure": "at", "depart": "at"}
SERVICE_KEYS = ("item", "every", "since", "months", "since_months", "fluid")
SERVICE_FLUIDS = ("engine_oil", "transmission", "differential", "")
EVENT_KEYS = ("place", "on", "arrive_by", "stay")
PREFERENCES = ("time", "distance", "cool")
HALT_KEYS = ("place", "duration", "engine")
_OTHER_UNITS = {"usa": "us", "u.s.": "us", "american": "us", "si": "metric"}
_UNSET = datetime(1, 4, 1)  # placeholder for a departure already reported as faulty
_DAY_S = 86400.0
_EVENING = (time(16), time(18))  # of later days' start, of the departure
_Stop = TypeVar("_Stop", Halt, Event)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings(TripSettings):
    """Contents of trip.toml."""

    lodging_only: bool | None  # nights need lodging; None: if any place has lodging
    speeds: float  # factor on every leg's speed
    assumed: tuple[str, ...]  # sentences for the owner to check


def with_keys(settings: Settings, names: PlaceNames) -> Settings:
    """Replace place names by keys; unknown or ambiguous names are kept."""

    def at_passing(one: _Stop) -> _Stop:
        place, passing = passing_of(names.key(one.place))
        return replace(one, place=place, passing=passing)

    return replace(
        settings,
        route=tuple(map(names.key, settings.route)),
        rest=tuple(map(names.key, settings.rest)),
        nights=tuple(map(names.key, settings.nights)),
        halts=tuple(map(at_passing, settings.halts)),
        events=tuple(map(at_passing, settings.events)),
    )


def parse_settings(text: str, *, folder_name: str, problems: Problems) -> Settings | None:
    r"""Read the text of trip.toml.

    >>> found = Problems()
    >>> said = 'start = "a"\nfinish = "b"\ndeparture = "2027-07-06 07:00"\nthin = "9 degF"'
    >>> settings = parse_settings(said, folder_name="there", problems=found)
    >>> settings.route, settings.thin_band_k, settings.confidence
    (('a', 'b'), 5.0, 0.9)
    """
    data = toml_of(text, file=FILE, problems=problems)
    return None if data is None else settings_of(data, folder_name=folder_name, problems=problems)


def settings_of(data: Mapping[str, Any], *, folder_name: str, problems: Problems) -> Settings:
    """Read the tables of trip.toml or of the sheet 'settings'."""
    top = Section(data, "", file=FILE, problems=problems)
    top.check_keys(TOP_KEYS, {key: f"move it under the line [day]; it is 'day.{key}'" for key in DAY_KEYS})
    day = _checked(top.table("day"), DAY_KEYS)
    explicit = "route" in data
    confidence = top.number("confidence", 0.9, low=0.5, high=0.995)
    thin = top.quantity("thin", "8 K", unit="delta K", high=50.0, allowed="above 0 K, up to 50 K")
    lodging_only = day.flag("lodging_only", None)
    evening = _evening(top, day)
    rules = _day_rules(day, lodging_only=bool(lodging_only), daylight=not evening)
    return Settings(
        name=top.text("name", folder_name),
        units=top.choice("units", ("us", "metric"), "us", other=_OTHER_UNITS),
        route=_route(top, explicit=explicit),
        explicit=explicit,
        departure=_moment(top, "departure"),
        day=rules,
        lodging_only=lodging_only,
        normals=_checked(top.table("weather"), ("normals",)).text("normals"),
        mornings=tuple(map(_morning, top.tables("morning"))),
        service=tuple(map(_service, top.tables("service"))),
        risk=top.number("risk", 0.05, low=0.001, high=0.5),
        prefer=_preference(top),
        rest=top.words("rest"),
        events=tuple(map(_event, top.tables("event"))),
        finish_by=_moment(top, "finish_by") if "finish_by" in data else None,
        days=_days(top),
        arrive=top.day("arrive", _UNSET.date()) if "arrive" in top else None,
        nights=top.words("nights"),
        halts=tuple(map(_halt, top.tables("halt"))),
        confidence=confidence,
        thin_band_k=thin,
        air_conditioning=bool(top.flag("air_conditioning", True)),
        speeds=top.number("speeds", 1.0, low=0.3, high=1.5),
        fuel_use_m2=_fuel_use(top),
        assumed=top.words("assumed"),
        assumptions=_assumptions(top, day, evening=evening),
    )


def _day_rules(day: Section, *, lodging_only: bool, daylight: bool) -> DayRules:
    start, up_to_a_day, up_to_half = day.clock("start", time(8)), "above 0 h, up to 24 h", "0 min to 12 h"
    return DayRules(
        driving_s=day.quantity("driving", "8 h", unit="s", high=_DAY_S, allowed=up_to_a_day),
        start=start,
        lodging_only=lodging_only,
        earliest=min(day.clock("earliest", time(6)), start),
        break_every_s=day.quantity("break_every", "2 h", unit="s", high=_DAY_S, allowed=up_to_a_day),
        break_s=day.quantity("break", "15 min", unit="s", high=_DAY_S / 2, allowed=up_to_half, low=0.0),
        before_sunset_s=day.quantity("before_sunset", "30 min", unit="s", high=_DAY_S / 2, allowed=up_to_half, low=0.0),
        daylight=bool(day.flag("daylight", daylight)),
        avoid_heat=bool(day.flag("avoid_heat", False)),
        least_rest_s=day.quantity("least_rest", "8 h", unit="s", high=_DAY_S, low=3600.0, allowed="1 h to 24 h"),
    )


def _evening(top: Section, day: Section) -> bool:
    """Whether the trip departs in the evening, so arrival by daylight is not intended."""
    departure, start = top.data.get("departure"), day.data.get("start")
    at = moment_of(departure) if isinstance(departure, str) else departure
    begin = clock_of(start) if isinstance(start, str) else start
    late = isinstance(at, datetime) and at.time() >= _EVENING[1]
    return late or (isinstance(begin, time) and begin >= _EVENING[0])


def _checked(section: Section, known: Sequence[str], instead: Mapping[str, str] | None = None) -> Section:
    """Return a table after a check of its keys; `instead` has hints for wrong ones."""
    above = {key: f"move '{key}' above the first line in square brackets" for key in TOP_KEYS if key not in known}
    section.check_keys(known, {**above, **(instead or {})})
    return section


def _route(top: Section, *, explicit: bool) -> tuple[str, ...]:
    others = [key for key in ("start", "finish", "via") if key in top]
    if explicit and others:
        text = f"{others[0]!r} is also given; keep either 'route', or 'start', 'finish' and 'via'"
        top.fault("route", text, code="conflict")
        return ()
    if explicit:
        route = top.words("route")
        if len(route) < 2 and isinstance(top.data["route"], list):
            top.refuse("route", "list at least two places")
        return route
    for key in ("start", "finish"):
        top.need(key, "name a place key from places.csv, or give every place in order as 'route'")
    start, finish, via = top.text("start"), top.text("finish"), top.words("via")
    return (start, *via, finish) if start and finish else ()


def _moment(top: Section, key: str) -> datetime:
    value = top.data.get(key)
    what = "write the local departure time" if key == "departure" else "write the local date and time"
    example = f"{what}, e.g. '2027-07-06 07:00'"
    if value is None:
        top.need(key, example)
        return _UNSET
    either = either_moment(value) if isinstance(value, str) else ""
    value = moment_of(value) if isinstance(value, str) else value
    if either:
        top.refuse(key, either, code="date")
    elif isinstance(value, date) and not isinstance(value, datetime):
        top.refuse(key, f"the time of day is missing; {example}", code="date")
    elif not isinstance(value, datetime):
        top.refuse(key, example, code="date")
    elif value.tzinfo is not None:
        top.refuse(key, f"remove the UTC offset; {example}", code="date")
    elif not 1900 <= value.year <= 2100:
        top.refuse(key, "the year must be 1900 to 2100", code="date")
    else:
        return value
    return _UNSET


def _fuel_use(top: Section) -> float:
    """Read the owner's fuel use as volume per distance; 0 if not given."""
    if "fuel_use" not in top:
        return 0.0
    try:
        return to_fuel_use(str(top.data["fuel_use"]))
    except UnitError as exc:
        top.fault("fuel_use", str(exc), code="unit")
        return 0.0


def _days(top: Section) -> int:
    days = top.number("days", 0.0, low=1.0, high=150.0) if "days" in top else 0.0
    if days != int(days):
        top.refuse("days", "write a whole number that includes the first and the last day")
    if days and "arrive" in top:
        top.fault("days", "'arrive' is also given; keep one", code="conflict")
    return int(days)


def _morning(section: Section) -> tuple[date, time]:
    takes = "[[morning]] takes 'on', a date, and 'at', a time of day"
    instead = {key: f"{takes}; write {word} = {shown(section.data.get(key))}" for key, word in _OTHER_MORNING.items()}
    _checked(section, MORNING_KEYS, instead)
    section = section.inner({_OTHER_MORNING.get(key, key): said for key, said in section.data.items()}, section.prefix)
    section.need("at", "give the local departure time, e.g. '06:30'")
    return section.day("on", _UNSET.date()), section.clock("at", time(8))


def _service(section: Section) -> ServiceItem:
    _checked(section, SERVICE_KEYS).need("item", "name the job, e.g. 'engine oil'")
    if "months" not in section:
        section.need("every", "give 'every' (a distance) or 'months', or both")
    allowed = "0 mi to 1000000 mi"
    return ServiceItem(
        item=section.text("item"),
        every_m=section.quantity("every", "0 mi", unit="m", high=1.7e9, allowed=allowed, low=0.0),
        since_m=section.quantity("since", "0 mi", unit="m", high=1.7e9, allowed=allowed, low=0.0),
        months=section.number("months", 0.0, low=0.0, high=600.0),
        since_months=section.number("since_months", 0.0, low=0.0, high=600.0),
        fluid=section.choice("fluid", SERVICE_FLUIDS, ""),
    )


def _preference(top: Section) -> tuple[float, float, float]:
    value = top.data.get("prefer", "time")
    if isinstance(value, str):
        word = top.choice("prefer", PREFERENCES, "time")
        time_w, distance_w, cool_w = (float(word == name) for name in PREFERENCES)
        return time_w, distance_w, cool_w
    if not isinstance(value, dict):
        top.refuse("prefer", "write one of 'time', 'distance', 'cool', or weights such as {time = 1.0, cool = 0.5}")
        return 1.0, 0.0, 0.0
    weights = top.inner(value, "prefer.")
    weights.check_keys(PREFERENCES)
    time_w, distance_w, cool_w = (weights.number(name, 0.0, low=0.0, high=100.0) for name in PREFERENCES)
    if time_w + distance_w + cool_w <= 0.0:
        top.refuse("prefer", "at least one weight must be above 0")
        return 1.0, 0.0, 0.0
    return time_w, distance_w, cool_w


def _event(section: Section) -> Event:
    _checked(section, EVENT_KEYS).need("place", "name a place on the route")
    return Event(
        place=section.text("place"),
        on=section.day("on", _UNSET.date()),
        arrive_by=section.clock("arrive_by", time(23, 59)),
        stay_s=section.quantity("stay", "0 min", unit="s", high=_DAY_S, allowed="0 min to 24 h", low=0.0),
    )


def _halt(section: Section) -> Halt:
    _checked(section, HALT_KEYS)
    for key in ("place", "duration"):
        section.need(key, "a halt needs a place and a duration, e.g. '20 min'")
    allowed = "above 0 min, up to 7 days"
    return Halt(
        place=section.text("place"),
        duration_s=section.quantity("duration", "20 min", unit="s", high=7 * _DAY_S, allowed=allowed),
        engine_on=section.choice("engine", ("off", "idle"), "off") == "idle",
    )


def _assumptions(data: Section, day: Section, *, evening: bool) -> tuple[str, ...]:
    """Sentences for default values, most important first."""
    defaults = (
        ("air_conditioning" in data, "Air conditioning assumed on (no 'air_conditioning' in trip.toml)."),
        ("driving" in day, "At most 8 h of driving per day assumed (no 'day.driving' in trip.toml)."),
        ("start" in day, "Later days assumed to start at 08:00 (no 'day.start' in trip.toml)."),
        ("break_every" in day, "A break of 15 min after every 2 h of driving assumed (no 'day.break_every')."),
        ("least_rest" in day, "At least 8 h between an arrival and the next start assumed (no 'day.least_rest')."),
        ("before_sunset" in day, "Arrival 30 min before sunset assumed (no 'day.before_sunset' in trip.toml)."),
        ("confidence" in data, "Confidence 0.90 assumed (no 'confidence' in trip.toml)."),
        ("thin" in data, "A margin below 8 K is called thin (no 'thin' in trip.toml)."),
        ("daylight" in day or not evening, "After an evening start days may end after dark (no 'day.daylight')."),
    )
    return tuple(text for said, text in defaults if not said)
