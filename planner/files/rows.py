"""Table rows from CSV or a sheet: columns, places, legs and dated weather."""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from planner.files import limits
from planner.files.checks import Draft
from planner.files.dates import date_of, either_date
from planner.files.names import PlaceNames, key_from
from planner.files.profiles import ELEVATION, Profiles
from planner.files.reading import Problems, optional_rows
from planner.files.tables import Column, InputTable, Row, number_column, read_table, temperature_column
from planner.model.trip import Leg, Place
from thermal.errors import shown

PLACES, LEGS, WEATHER = "places.csv", "legs.csv", "weather.csv"
KINDS = ("town", "pass", "junction", "summit", "rest-area", "viewpoint", "border", "waypoint")
SERVICES = ("fuel", "lodging", "food", "workshop", "parking", "water")
# Accepted synonyms.
_OTHER_KINDS = {
    **dict.fromkeys(("city", "village", "hamlet", "settlement"), "town"),
    **dict.fromkeys(("mountain pass", "saddle", "gap", "col"), "pass"),
    **dict.fromkeys(("crossroads", "crossing", "intersection", "interchange"), "junction"),
    **dict.fromkeys(("peak", "top"), "summit"),
    **dict.fromkeys(("rest area", "rest stop", "restarea"), "rest-area"),
    **dict.fromkeys(("view point", "overlook", "vista", "lookout"), "viewpoint"),
    "point": "waypoint",
}
_OTHER_SERVICES = {
    **dict.fromkeys(("gas", "petrol", "gasoline", "diesel"), "fuel"),
    **dict.fromkeys(("motel", "motels", "hotel", "hotels", "inn", "hostel", "rooms"), "lodging"),
    **dict.fromkeys(("restaurant", "restaurants", "diner", "cafe", "café", "meals"), "food"),
    **dict.fromkeys(("mechanic", "repair", "repairs"), "workshop"),
}
_STATION = re.compile(r"\b(gas|petrol|fuel|filling)[ -]stations?\b")
_BETWEEN_WORDS = re.compile(r"[\s,;/+&]+")
_OTHER_FLOWS = {
    **{"free flow": "free", "free-flow": "free", "city": "town"},
    **dict.fromkeys(("stop and go", "jam"), "stop-and-go"),
}
_KEY = re.compile(f"[a-z0-9-]{{1,{limits.KEY}}}")
_MPH = 0.44704
_FEW_MISSING = 5  # places that may each be a slip of their own
# Share of the time stopped, engine idling. ASSUMED: town 0.1 to 0.25, stop-and-go 0.3 to 0.6.
IDLE_SHARE = {"free": 0.0, "town": 0.15, "stop-and-go": 0.4}
CARRIED = ("ferry", "train")
_SEASON = re.compile(r"(\d\d)-(\d\d)\.\.(\d\d)-(\d\d)", re.ASCII)


_HIGH = temperature_column("high", example="88", low_k=213.15, high_k=333.15)  # from -60 degC
_LOW = temperature_column("low", example="61", low_k=213.15, high_k=318.15)
PLACE_COLUMNS = (
    Column(name="place", example="deadman-pass"),
    Column(name="name", example="Deadman Pass"),
    Column(name="lat", number=True, angle="lat", example="45.601"),
    Column(name="lon", number=True, angle="lon", example="-118.511"),
    ELEVATION,
    Column(name="kind", required=False),
    Column(name="services", required=False),
    _HIGH,
    _LOW,
    Column(name="note", required=False),
)
HIGHEST_GEAR = {"any": 0, "overdrive off": -1, **{str(gear): gear for gear in range(1, 9)}}
LEG_COLUMNS = (
    Column(name="from", example="trinidad"),
    Column(name="to", example="raton"),
    Column(name="distance", number=True, unit="m", usual=("mi", "km"), example="21.5", low=1e-3, high=2e7),
    Column(name="speed", number=True, unit="m/s", usual=("mph", "km/h"), example="55", low=3 * _MPH, high=150 * _MPH),
    *(Column(name=name, required=False) for name in ("road", "two_way", "open", "profile", "heights", "note")),
    *(Column(name=name, required=False) for name in ("air_conditioning", "heater", "low_gear", "highest_gear", "flow")),
    Column(name="carried", required=False),
)


# --- places ---


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Rows by key, and the valid places."""

    file: str
    rows: dict[str, int]
    good: dict[str, Place]

    def names(self) -> PlaceNames:
        """Return the name index over all places, valid or not."""
        return PlaceNames({key: self.good[key].name if key in self.good else key for key in self.rows})


def read_places(table: InputTable) -> Places:
    """Read the rows of the table of places."""
    found = Places(file=table.file, rows={}, good={})
    pair = {"high", "low"} & table.named
    if len(pair) == 1:
        text = f"the column '{pair.pop()}' needs the other one too; enter 'high' and 'low', or neither"
        table.problems.add(table.file, text, code="missing-column")
    for row in table.rows:
        key = _place_key(row, found.rows)
        place = _place(row, key)
        if place is not None and key not in found.rows:
            found.good[key] = place
        if key:
            found.rows.setdefault(key, row.number)
    return found


def _place_key(row: Row, taken: dict[str, int]) -> str:
    said = row.text("place")
    key = said if _KEY.fullmatch(said) is not None or len(said) > limits.KEY else key_from(said)
    if key in taken:
        row.fault("place", f"'{key}' is also in row {taken[key]}; every place needs a unique key", code="duplicate")
    elif said and _KEY.fullmatch(key) is None:
        advice = f"keys use only a-z, 0-9 and -, at most {limits.KEY} characters, e.g."
        example = key_from(said)[:50] or "deadman-pass"
        row.fault("place", f"read {shown(said)}; {advice} '{example}'", code="invalid-key")
    return key


def _place(row: Row, key: str) -> Place | None:
    name = row.text("name")
    position = position_of(row)
    elevation_m = row.value("elevation")
    kind = row.choice("kind", KINDS, "waypoint", other=_OTHER_KINDS)
    services = _services(row)
    high_k, low_k = _temperatures(row)
    if not key or not name or position is None or elevation_m is None:
        return None
    return Place(
        key=key,
        name=name,
        lat_deg=position[0],
        lon_deg=position[1],
        elevation_m=elevation_m,
        kind=kind,
        services=services,
        high_k=high_k,
        low_k=low_k,
        note=row.cell("note"),
        row=row.number,
    )


def position_of(row: Row) -> tuple[float, float] | None:
    """Return latitude and longitude [deg]; None if not given, or out of range and reported."""
    lat, lon = row.value("lat"), row.value("lon")
    if lat is None or lon is None:
        return None
    if abs(lat) <= 90 and abs(lon) <= 180:
        return lat, lon
    name, value, limit = ("lat", lat, 90) if abs(lat) > 90 else ("lon", lon, 180)
    swapped = abs(lat) <= 180 and abs(lon) <= 90
    advice = "are lat and lon swapped?" if swapped else "write decimal degrees"
    row.fault(name, f"read {value:g}; allowed is -{limit} to {limit}; {advice}", code="out-of-range")
    return None


def _services(row: Row) -> frozenset[str]:
    said = _STATION.sub("fuel", row.cell("services").casefold())
    words = [_OTHER_SERVICES.get(word, word) for word in _BETWEEN_WORDS.split(said) if word]
    for word in words:
        if word not in SERVICES:
            advice = f"separate words with spaces; {row.table.problems.nearest(word, SERVICES)}"
            row.fault("services", f"read {shown(word)}; {advice}", code="unknown-word")
    return frozenset(words)


def _temperatures(row: Row) -> tuple[float | None, float | None]:
    high_k, low_k = row.value("high"), row.value("low")
    _check_pair(row, "high", "low")
    if high_k is not None and low_k is not None and low_k > high_k:
        low, high = shown(row.cell("low")), shown(row.cell("high"))
        row.fault("low", f"the low {low} is above the high {high}; swap them?", code="order")
    return high_k, low_k


def _check_pair(row: Row, *names: str) -> None:
    """Report a cell whose counterpart is empty."""
    given = [name for name in names if row.cell(name)]
    if len(given) == 1 and row.table.headings.keys() >= set(names):
        other = next(name for name in names if name not in given)
        row.fault(given[0], f"is given without '{other}'; enter both or neither", code="missing-value")


# --- legs ---


def draft_of(place_table: InputTable, leg_table: InputTable, places: Places, profiles: Profiles) -> Draft:
    """Read the rows of the table of legs, and combine them with the places for cross checks."""
    legs, rows = [], []
    names = places.names()
    profiles.place_rows = {key: (places.file, number) for key, number in places.rows.items()}
    _check_all_there(leg_table, places, names)
    for row in leg_table.rows:
        leg = _leg(row, places, profiles, names)
        if leg is not None:
            legs.append(leg)
            rows.append(row.number)
    return Draft(
        places=places.good,
        place_rows=places.rows,
        place_table=place_table,
        legs=legs,
        leg_rows=rows,
        leg_table=leg_table,
        problems=leg_table.problems,
    )


def _check_all_there(legs: InputTable, places: Places, names: PlaceNames) -> None:
    """Report a table of places that was cut off, as many places of the legs are missing in it."""
    used = dict.fromkeys(names.key(row.cell(end)) for row in legs.rows for end in ("from", "to"))
    missing = [key for key in used if key and key not in places.rows]
    if places.rows and len(missing) > _FEW_MISSING:
        key, row = list(places.rows.items())[-1]
        text = f"the table ends with '{key}', and {len(missing)} places of {legs.file} are missing, e.g. "
        text += f"{shown(missing[0])}; was it saved completely? Restore it, or add the places"
        legs.problems.cause(places.file, text, row=row, code="unknown-place")


def _leg(row: Row, places: Places, profiles: Profiles, names: PlaceNames) -> Leg | None:
    start, finish = _leg_end(row, "from", places, names), _leg_end(row, "to", places, names)
    if start and start == finish:
        row.fault("to", f"the leg starts and ends at '{start}'; add a place in between", code="same-place")
        start = ""
    distance_m, speed_m_per_s = row.value("distance"), row.value("speed")
    seasonal = _SEASON.fullmatch(row.cell("open"))
    is_open = row.flag("open", True) if seasonal is None else True
    two_way, cooled = row.flag("two_way", True), row.flag("air_conditioning", None)
    profile = profiles.for_leg(row, distance_m, [places.good.get(start), places.good.get(finish)])
    if not start or not finish or distance_m is None or speed_m_per_s is None:
        return None
    return Leg(
        start=start,
        finish=finish,
        distance_m=distance_m,
        speed_m_per_s=speed_m_per_s,
        road=row.cell("road"),
        two_way=bool(two_way),
        open=bool(is_open),
        profile=profile,
        note=row.cell("note"),
        row=row.number,
        season=None if seasonal is None else _season(row, seasonal),
        air_conditioning=cooled,
        heater=bool(row.flag("heater", False)),
        low_gear=bool(row.flag("low_gear", False)),
        highest_gear=HIGHEST_GEAR[row.choice("highest_gear", tuple(HIGHEST_GEAR), "any")],
        idle_share=IDLE_SHARE[row.choice("flow", tuple(IDLE_SHARE), "free", other=_OTHER_FLOWS)],
        kind=row.choice("carried", CARRIED, "road"),
    )


def _season(row: Row, match: re.Match[str]) -> tuple[tuple[int, int], tuple[int, int]] | None:
    """Read a season such as '05-28..10-15'."""
    try:
        first, last = (date(2000, int(match[i]), int(match[i + 1])) for i in (1, 3))
    except ValueError:
        row.fault("open", f"read {shown(row.cell('open'))}; write month-day..month-day, e.g. 05-28..10-15", code="date")
        return None
    return (first.month, first.day), (last.month, last.day)


def _leg_end(row: Row, name: str, places: Places, names: PlaceNames) -> str:
    """Return the key of a known place, else an empty text."""
    key = names.key(row.text(name))
    if not key or not places.rows or key in places.rows:
        return key
    advice = names.several(key) or row.table.problems.nearest(key, places.rows)
    row.fault(name, f"read {shown(key)}, which is not in {places.file}; {advice}", code="unknown-place")
    return ""


# --- weather by place and date ---


_EXAMPLE_DATE = "2027-07-06"


@dataclass(frozen=True, slots=True, kw_only=True)
class DatedWeather:
    """Weather entered for one place, a key, on one local date; None where a cell is empty."""

    place: str
    date: date
    high_k: float | None
    low_k: float | None
    humidity: float | None  # the day's mean relative humidity, 0 to 1
    wind_m_per_s: float | None  # 10 m above ground
    wind_from_deg: float | None  # clockwise from north
    row: int = field(default=0, compare=False)


WEATHER_COLUMNS = (
    Column(name="place", example="deadman-pass"),
    Column(name="date", example=_EXAMPLE_DATE),
    _HIGH,
    _LOW,
    number_column("humidity", "dimensionless", ("%",), example="40", low=0.0, high=1.0),
    number_column("wind", "m/s", ("mph", "km/h"), example="12", low=0.0, high=60.0),
    number_column("wind_from", "deg", ("deg",), example="270", low=0.0, high=360.0),
)


def read_weather_file(folder: Path, places: Mapping[str, Place]) -> tuple[DatedWeather, ...]:
    """Read weather.csv of a trip folder."""
    names = {key: place.name for key, place in places.items()}
    return optional_rows(folder, WEATHER, lambda text, found: parse_weather(text, places=names, problems=found))


def parse_weather(text: str, *, places: Mapping[str, str], problems: Problems) -> tuple[DatedWeather, ...]:
    r"""Read the text of weather.csv; `places` are names by their keys.

    >>> said = "place,date,high [degC],low [degC],humidity [%]\nraton,2027-07-10,31,13,35\n"
    >>> row, = parse_weather(said, places={"raton": "Raton"}, problems=Problems())
    >>> row.high_k, row.humidity, row.wind_m_per_s
    (304.15, 0.35, None)
    """
    table = read_table(text, file=WEATHER, columns=WEATHER_COLUMNS, max_rows=limits.WEATHER_ROWS, problems=problems)
    if table is None:
        return ()
    for name, other in (("high", "low"), ("low", "high"), ("wind", "wind_from"), ("wind_from", "wind")):
        if name in table.named and other not in table.named:
            problems.add(WEATHER, f"the column '{name}' needs the column '{other}' too; add it", code="missing-column")
    taken: dict[tuple[str, date], int] = {}
    return tuple(_weather_rows(table.rows, PlaceNames(places), places, taken))


def _weather_rows(
    rows: Iterable[Row], names: PlaceNames, known: Mapping[str, str], taken: dict[tuple[str, date], int]
) -> Iterator[DatedWeather]:
    for row in rows:
        place, day = names.key(row.text("place")), _date(row)
        if place and place not in known:
            advice = names.several(place) or row.table.problems.nearest(place, known)
            row.fault("place", f"read {shown(place)}, which is not in {PLACES}; {advice}", code="unknown-place")
        high_k, low_k = _temperatures(row)
        wind, wind_from, humidity = (row.value(name) for name in ("wind", "wind_from", "humidity"))
        if wind != 0.0:
            _check_pair(row, "wind", "wind_from")
        if not place or day is None:
            continue
        if not any(row.cell(column.name) for column in WEATHER_COLUMNS[2:]):
            text = "the row has no values; enter high and low, humidity or wind, or delete the row"
            row.fault("place", text, code="missing-value")
        if (place, day) in taken:
            row.fault("date", f"'{place}' on {day} is also in row {taken[place, day]}; keep one", code="duplicate")
        taken.setdefault((place, day), row.number)
        yield DatedWeather(
            place=place,
            date=day,
            high_k=high_k,
            low_k=low_k,
            humidity=humidity,
            wind_m_per_s=wind,
            wind_from_deg=wind_from,
            row=row.number,
        )


def _date(row: Row) -> date | None:
    text = row.text("date")
    if not text:
        return None
    day = date_of(text)
    if day is None or not 1900 <= day.year <= 2100:
        advice = either_date(text) or f"write year-month-day, e.g. {_EXAMPLE_DATE}"
        row.fault("date", f"read {shown(text)}; {advice}", code="date")
        return None
    return day
