"""Reading trip.toml: where the drive goes, when it starts, the rules of its days."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

from planner.files.reading import CONTROL, Problems, nearest, shown
from planner.files.tables import plain_unit
from planner.model import Day, Event, Halt, ServiceItem
from thermal.errors import ParameterError, UnitError
from thermal.tomltext import read_toml
from thermal.units import same_kind, to_delta_k, to_si

FILE = "trip.toml"
TOP_KEYS = (
    *("name", "units", "start", "finish", "via", "route", "departure"),
    *("confidence", "thin", "air_conditioning", "nights", "day", "halt"),
    *("prefer", "rest", "event", "finish_by", "risk", "service", "morning", "weather"),
)
DAY_KEYS = (
    *("driving", "start", "earliest", "lodging_only", "break_every", "break"),
    *("before_sunset", "daylight", "avoid_heat"),
)
MORNING_KEYS = ("on", "at")
SERVICE_KEYS = ("item", "every", "since", "months", "since_months", "fluid")
SERVICE_FLUIDS = ("engine_oil", "transmission", "differential", "")
EVENT_KEYS = ("place", "on", "arrive_by", "stay")
PREFERENCES = ("time", "distance", "cool")
HALT_KEYS = ("place", "duration", "engine")
_DATE_TIME = re.compile(r"\d{4}-\d\d-\d\d[ T]\d\d:\d\d(:\d\d)?", re.ASCII)
_QUANTITY = re.compile(r"\s*[-+]?(?:\d++\.?\d*+|\.\d++)(?:[eE][-+]?\d++)?\s*([A-Za-z°][^\s]*)\s*", re.ASCII)
_LINE = re.compile(r" ?\(at line (\d+), column \d+\)")
_UNSET = datetime(1, 4, 1)  # stands in for a departure already reported as bad; summer nowhere
_DAY_S = 86400.0
MOST_LISTED, MOST_TEXT = 600, 2000  # entries of any list, characters of any text


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What trip.toml says; `assumptions` are sentences for what it leaves out."""

    name: str
    units: str
    route: tuple[str, ...]
    explicit: bool
    departure: datetime
    driving_s: float
    day_start: time
    earliest: time
    break_every_s: float
    break_s: float
    before_sunset_s: float
    daylight: bool
    avoid_heat: bool
    lodging_only: bool | None
    prefer: tuple[float, float, float]
    rest: tuple[str, ...]
    risk: float
    service: tuple[ServiceItem, ...]
    mornings: tuple[tuple[date, time], ...]
    normals: str
    events: tuple[Event, ...]
    finish_by: datetime | None
    nights: tuple[str, ...]
    halts: tuple[Halt, ...]
    confidence: float
    thin_band_k: float
    air_conditioning: bool
    assumptions: tuple[str, ...]

    def day(self, *, any_lodging: bool) -> Day:
        """Return the rules of a day; nights need lodging by default where any place has it."""
        lodging_only = any_lodging if self.lodging_only is None else self.lodging_only
        return Day(
            driving_s=self.driving_s,
            start=self.day_start,
            lodging_only=lodging_only,
            earliest=min(self.earliest, self.day_start),
            break_every_s=self.break_every_s,
            break_s=self.break_s,
            before_sunset_s=self.before_sunset_s,
            daylight=self.daylight,
            avoid_heat=self.avoid_heat,
        )


class _Section:
    """One TOML table; its readers note what is bad and return the default in its stead."""

    def __init__(self, data: Mapping[str, object], prefix: str, problems: Problems) -> None:
        self.data, self.prefix, self.problems = data, prefix, problems

    def fault(self, key: str, text: str) -> None:
        self.problems.add(FILE, text, key=self.prefix + key)

    def refuse(self, key: str, needed: str) -> None:
        self.fault(key, f"read {shown(self.data[key])}; {needed}")

    def check_keys(self, known: Sequence[str], elsewhere: Mapping[str, str]) -> None:
        """Note keys that do not belong here; `elsewhere` tells where some of them do."""
        for key in self.data:
            if key not in known:
                self.fault(repr(key)[1:-1][:50], f"unknown key; {elsewhere.get(key) or nearest(key, known)}")

    def text(self, key: str, default: str = "") -> str:
        value = self.data.get(key, default)
        if not isinstance(value, str) or (key in self.data and not value.strip()):
            self.refuse(key, "a text in quotation marks is needed")
            return default
        if len(value) > MOST_TEXT or CONTROL.search(value) is not None:
            self.refuse(key, f"a text without unprintable characters is needed, of at most {MOST_TEXT:,}")
            return default
        return " ".join(value.split())

    def choice(self, key: str, options: Sequence[str], default: str) -> str:
        value = self.text(key, default)
        if value not in options:
            self.refuse(key, nearest(value, options))
            return default
        return value

    def flag(self, key: str, default: bool | None) -> bool | None:
        value = self.data.get(key, default)
        if value is not None and not isinstance(value, bool):
            self.refuse(key, "write true or false, without quotation marks")
            return default
        return value

    def number(self, key: str, default: float, *, low: float, high: float) -> float:
        value = self.data.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            self.refuse(key, f"a number from {low:g} to {high:g} is needed, e.g. {default:g}")
            return default
        return float(value)

    def quantity(self, key: str, default: str, *, unit: str, high: float, allowed: str, zero: bool = False) -> float:
        """Return a text such as '8 h' as a number of `unit`, a K being a difference; above 0 (or from) up to `high`."""
        text = self.data.get(key, default)
        match = _QUANTITY.fullmatch(text) if isinstance(text, str) else None
        if match is None:
            self.refuse(key, f"a number and a unit in quotation marks are needed, e.g. '{default}'")
        elif not plain_unit(match[1]) or not same_kind(match[1], unit):
            self.refuse(key, f"'{match[1][:24]}' is the wrong unit; write e.g. '{default}'")
        else:
            try:
                value = _read_quantity(match[0], unit)
            except UnitError as exc:
                self.refuse(key, str(exc))
                return _read_quantity(default, unit)
            if 0.0 < value <= high or (zero and value == 0.0):
                return value
            self.refuse(key, f"allowed is {allowed}, e.g. '{default}'")
        return _read_quantity(default, unit)

    def clock(self, key: str, default: time) -> time:
        value = self.data.get(key, default)
        if isinstance(value, str) and re.fullmatch(r"\d\d:\d\d", value, re.ASCII):
            try:
                return time.fromisoformat(value)
            except ValueError:
                pass  # 25:00, refused below
        if not isinstance(value, time):
            self.refuse(key, "a time of day is needed, e.g. '08:00'")
            return default
        return value

    def keys(self, key: str) -> tuple[str, ...]:
        """Return a list of place keys."""
        value = self.data.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            self.refuse(key, 'a list of place keys is needed, e.g. ["raton", "alamosa"]')
            return ()
        return tuple(self._few(key, value))

    def _few(self, key: str, entries: list[Any]) -> list[Any]:
        """Note a list longer than any trip needs, and drop it."""
        if len(entries) > MOST_LISTED:
            self.fault(key, f"has {len(entries):,} entries; the most is {MOST_LISTED}")
            return []
        return entries

    def sections(self, key: str) -> list[Mapping[str, object]]:
        """Return the tables written as [[key]]."""
        value = self.data.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self.refuse(key, f"write each one under a line [[{key}]]")
            return []
        return self._few(key, value)


def parse_settings(text: str, *, folder_name: str, problems: Problems) -> Settings | None:
    r"""Read the text of trip.toml.

    Parameters
    ----------
    text : str
        The file's text. [-]
    folder_name : str
        Name for a trip without one. [-]
    problems : Problems
        Where faults go. [-]

    Returns
    -------
    Settings or None
        With defaults where a key is missing or bad; None when the text is not TOML.

    Examples
    --------
    >>> found = Problems()
    >>> said = 'start = "a"\nfinish = "b"\ndeparture = "2027-07-06 07:00"\nthin = "9 degF"'
    >>> settings = parse_settings(said, folder_name="there", problems=found)
    >>> settings.route, settings.thin_band_k, settings.confidence
    (('a', 'b'), 5.0, 0.9)
    """
    data = _load(text, problems)
    if data is None:
        return None
    top = _Section(data, "", problems)
    top.check_keys(TOP_KEYS, {key: f"it belongs under the line [day], as 'day.{key}'" for key in DAY_KEYS})
    day = _day_section(top, problems)
    explicit = "route" in data
    confidence = top.number("confidence", 0.9, low=0.5, high=0.995)
    thin = top.quantity("thin", "8 K", unit="K", high=50.0, allowed="above 0 K, up to 50 K")
    driving_s = day.quantity("driving", "8 h", unit="s", high=_DAY_S, allowed="above 0 h, up to 24 h")
    return Settings(
        name=top.text("name", folder_name),
        units=top.choice("units", ("us", "metric"), "us"),
        route=_route(top, explicit=explicit),
        explicit=explicit,
        departure=_moment(top, "departure"),
        driving_s=driving_s,
        day_start=day.clock("start", time(8)),
        earliest=day.clock("earliest", time(6)),
        break_every_s=day.quantity("break_every", "2 h", unit="s", high=_DAY_S, allowed="above 0 h, up to 24 h"),
        break_s=day.quantity("break", "15 min", unit="s", high=_DAY_S / 2, allowed="0 min to 12 h", zero=True),
        before_sunset_s=day.quantity(
            "before_sunset", "30 min", unit="s", high=_DAY_S / 2, allowed="0 min to 12 h", zero=True
        ),
        daylight=bool(day.flag("daylight", True)),
        avoid_heat=bool(day.flag("avoid_heat", False)),
        lodging_only=day.flag("lodging_only", None),
        normals=_normals(top, problems),
        mornings=tuple(_morning(data, n, problems) for n, data in enumerate(top.sections("morning"), start=1)),
        service=tuple(_service(data, n, problems) for n, data in enumerate(top.sections("service"), start=1)),
        risk=top.number("risk", 0.05, low=0.001, high=0.5),
        prefer=_preference(top, problems),
        rest=top.keys("rest"),
        events=tuple(_event(data, number, problems) for number, data in enumerate(top.sections("event"), start=1)),
        finish_by=_moment(top, "finish_by") if "finish_by" in data else None,
        nights=top.keys("nights"),
        halts=tuple(_halt(data, number, problems) for number, data in enumerate(top.sections("halt"), start=1)),
        confidence=confidence,
        thin_band_k=thin,
        air_conditioning=bool(top.flag("air_conditioning", True)),
        assumptions=_assumptions(data, day.data),
    )


def _load(text: str, problems: Problems) -> dict[str, object] | None:
    try:
        return read_toml(text)
    except ParameterError as exc:
        match = _LINE.search(str(exc))
        row = int(match[1]) if match is not None else 0
        why = _LINE.sub("", str(exc))
        hint = "write key = value, texts and dates in quotation marks"
        problems.add(FILE, f"cannot be read as TOML ({why}); {hint}", row=row)
        return None


def _read_quantity(text: str, unit: str) -> float:
    return to_delta_k(text) if unit == "K" else to_si(text, unit)


def _day_section(top: _Section, problems: Problems) -> _Section:
    data = top.data.get("day", {})
    if not isinstance(data, dict):
        top.refuse("day", "write its keys under a line [day]")
        data = {}
    day = _Section(data, "day.", problems)
    day.check_keys(DAY_KEYS, {key: _above(key) for key in TOP_KEYS})
    return day


def _above(key: str) -> str:
    return f"'{key}' belongs above the first line in square brackets"


def _route(top: _Section, *, explicit: bool) -> tuple[str, ...]:
    others = [key for key in ("start", "finish", "via") if key in top.data]
    if explicit and others:
        top.fault("route", f"stands beside {others[0]!r}; keep either 'route' or 'start', 'finish' and 'via'")
        return ()
    if explicit:
        route = top.keys("route")
        if len(route) < 2 and isinstance(top.data["route"], list):
            top.refuse("route", "at least two places are needed")
        return route
    missing = [key for key in ("start", "finish") if key not in top.data]
    for key in missing:
        top.fault(key, "is missing; name a place key from places.csv, or give every place in order as 'route'")
    start, finish, via = top.text("start"), top.text("finish"), top.keys("via")
    return (start, *via, finish) if start and finish else ()


def _moment(top: _Section, key: str) -> datetime:
    """Read a local date and time."""
    value = top.data.get(key)
    what = "local time at the start is needed" if key == "departure" else "local date and time are needed"
    example = f"{what}, e.g. '2027-07-06 07:00'"
    if value is None:
        top.fault(key, f"is missing; {example}")
        return _UNSET
    if isinstance(value, str):
        value = _date_from_text(value.strip())
    if isinstance(value, date) and not isinstance(value, datetime):
        top.refuse(key, f"the time of day is missing; {example}")
    elif not isinstance(value, datetime):
        top.refuse(key, example)
    elif value.tzinfo is not None:
        top.refuse(key, f"leave the offset out; {example}")
    elif not 1900 <= value.year <= 2100:
        top.refuse(key, "allowed are the years 1900 to 2100")
    else:
        return value
    return _UNSET


def _normals(top: _Section, problems: Problems) -> str:
    """Name of a table of station normals, or nothing."""
    data = top.data.get("weather", {})
    if not isinstance(data, dict):
        top.refuse("weather", "write its keys under a line [weather]")
        return ""
    section = _Section(data, "weather.", problems)
    section.check_keys(("normals",), {key: _above(key) for key in TOP_KEYS})
    return section.text("normals")


def _day_date(section: _Section, data: Mapping[str, object], key: str) -> date:
    """Read a date."""
    on = data.get(key)
    on = _date_from_text(on.strip()) if isinstance(on, str) else on
    if not isinstance(on, date) or isinstance(on, datetime):
        section.fault(key, f"read {shown(data.get(key))}; a date is needed, e.g. '2027-07-10'")
        return _UNSET.date()
    return on


def _morning(data: Mapping[str, object], number: int, problems: Problems) -> tuple[date, time]:
    """Read the fixed start of one day."""
    section = _Section(data, f"morning {number} ", problems)
    section.check_keys(MORNING_KEYS, {key: _above(key) for key in TOP_KEYS if key not in MORNING_KEYS})
    if "at" not in data:
        section.fault("at", "is missing; give the local time to set off, e.g. '06:30'")
    return _day_date(section, data, "on"), section.clock("at", time(8))


def _service(data: Mapping[str, object], number: int, problems: Problems) -> ServiceItem:
    """Read one job that falls due."""
    section = _Section(data, f"service {number} ", problems)
    section.check_keys(SERVICE_KEYS, {key: _above(key) for key in TOP_KEYS if key not in SERVICE_KEYS})
    if "item" not in data:
        section.fault("item", "is missing; name the job, e.g. 'engine oil'")
    if "every" not in data and "months" not in data:
        section.fault("every", "is missing; give 'every' (a distance) or 'months', or both")
    allowed = "0 mi to 1000000 mi"
    return ServiceItem(
        item=section.text("item"),
        every_m=section.quantity("every", "0 mi", unit="m", high=1.7e9, allowed=allowed, zero=True),
        since_m=section.quantity("since", "0 mi", unit="m", high=1.7e9, allowed=allowed, zero=True),
        months=section.number("months", 0.0, low=0.0, high=600.0),
        since_months=section.number("since_months", 0.0, low=0.0, high=600.0),
        fluid=section.choice("fluid", SERVICE_FLUIDS, ""),
    )


def _preference(top: _Section, problems: Problems) -> tuple[float, float, float]:
    """Read what the road is chosen by: one word, or a weight for each."""
    value = top.data.get("prefer", "time")
    if isinstance(value, str):
        word = top.choice("prefer", PREFERENCES, "time")
        time_w, distance_w, cool_w = (float(word == name) for name in PREFERENCES)
        return time_w, distance_w, cool_w
    if not isinstance(value, dict):
        top.refuse("prefer", "write one of 'time', 'distance', 'cool', or weights such as {time = 1.0, cool = 0.5}")
        return 1.0, 0.0, 0.0
    weights = _Section(value, "prefer.", problems)
    weights.check_keys(PREFERENCES, {})
    time_w, distance_w, cool_w = (weights.number(name, 0.0, low=0.0, high=100.0) for name in PREFERENCES)
    if time_w + distance_w + cool_w <= 0.0:
        top.refuse("prefer", "at least one weight must be above 0")
        return 1.0, 0.0, 0.0
    return time_w, distance_w, cool_w


def _event(data: Mapping[str, object], number: int, problems: Problems) -> Event:
    """Read one fixed date."""
    section = _Section(data, f"event {number} ", problems)
    section.check_keys(EVENT_KEYS, {key: _above(key) for key in TOP_KEYS if key not in EVENT_KEYS})
    if "place" not in data:
        section.fault("place", "is missing; name a place on the route")
    on = _day_date(section, data, "on")
    return Event(
        place=section.text("place"),
        on=on,
        arrive_by=section.clock("arrive_by", time(23, 59)),
        stay_s=section.quantity("stay", "0 min", unit="s", high=_DAY_S, allowed="0 min to 24 h", zero=True),
    )


def _date_from_text(text: str) -> object:
    """Return a date and time, a bare date, or None; '2027-W01' and other rare forms are not read."""
    try:
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text, re.ASCII):
            return date.fromisoformat(text)
        return datetime.fromisoformat(text) if _DATE_TIME.match(text) else None
    except ValueError:
        return None


def _halt(data: Mapping[str, object], number: int, problems: Problems) -> Halt:
    section = _Section(data, f"halt {number} ", problems)
    section.check_keys(HALT_KEYS, {key: _above(key) for key in TOP_KEYS if key not in HALT_KEYS})
    for key in ("place", "duration"):
        if key not in data:
            section.fault(key, "is missing; a halt needs a place and a duration, e.g. '20 min'")
    allowed = "above 0 min, up to 7 days"
    return Halt(
        place=section.text("place"),
        duration_s=section.quantity("duration", "20 min", unit="s", high=7 * _DAY_S, allowed=allowed),
        engine_on=section.choice("engine", ("off", "idle"), "off") == "idle",
    )


def _assumptions(data: Mapping[str, object], day: Mapping[str, object]) -> tuple[str, ...]:
    """Sentences for what was not said, the weightiest first."""
    defaults: Iterable[tuple[bool, str]] = (
        ("air_conditioning" in data, "Air conditioning taken as on (no 'air_conditioning' in trip.toml)."),
        ("driving" in day, "At most 8 h of driving a day assumed (no 'day.driving' in trip.toml)."),
        ("start" in day, "Later days assumed to start at 08:00 (no 'day.start' in trip.toml)."),
        ("break_every" in day, "A break of 15 min after every 2 h of driving assumed (no 'day.break_every')."),
        ("before_sunset" in day, "Arrival 30 min before sunset wanted (no 'day.before_sunset' in trip.toml)."),
        ("confidence" in data, "Confidence 0.90 assumed (no 'confidence' in trip.toml)."),
        ("thin" in data, "A margin below 8 K is called thin (no 'thin' in trip.toml)."),
    )
    return tuple(text for said, text in defaults if not said)
