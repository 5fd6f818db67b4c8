"""The rows of the tables of places and legs, from a CSV or a sheet: columns, and one `Place` or `Leg` each."""

import re
from dataclasses import dataclass
from datetime import date

from planner.files import limits
from planner.files.checks import Draft
from planner.files.profiles import ELEVATION, Profiles
from planner.files.tables import Column, Row, Table
from planner.model.trip import Leg, Place
from thermal.tomltext import shown

KINDS = ("town", "pass", "junction", "summit", "rest-area", "viewpoint", "border", "waypoint")
SERVICES = ("fuel", "lodging", "food", "workshop", "parking", "water")
_KEY = re.compile(f"[a-z0-9-]{{1,{limits.KEY}}}")
_MPH = 0.44704
_YES_NO = ("yes", "no")
# Share of the time spent standing, engine idling. ASSUMED: town 0.1 to 0.25, stop-and-go 0.3 to 0.6.
IDLE_SHARE = {"free": 0.0, "town": 0.15, "stop-and-go": 0.4}
_SEASON = re.compile(r"(\d\d)-(\d\d)\.\.(\d\d)-(\d\d)", re.ASCII)


def _temperature(name: str, *, example: str, high_k: float) -> Column:
    return Column(
        name=name,
        required=False,
        number=True,
        unit="K",
        usual=("degF", "degC"),
        example=example,
        low=213.15,  # -60 degC
        high=high_k,
    )


PLACE_COLUMNS = (
    Column(name="place", example="deadman-pass"),
    Column(name="name", example="Deadman Pass"),
    Column(name="lat", number=True, example="45.601"),
    Column(name="lon", number=True, example="-118.511"),
    ELEVATION,
    Column(name="kind", required=False),
    Column(name="services", required=False),
    _temperature("high", example="88", high_k=333.15),
    _temperature("low", example="61", high_k=318.15),
    Column(name="note", required=False),
)
LEG_COLUMNS = (
    Column(name="from", example="trinidad"),
    Column(name="to", example="raton"),
    Column(name="distance", number=True, unit="m", usual=("mi", "km"), example="21.5", low=1e-3, high=2e7),
    Column(name="speed", number=True, unit="m/s", usual=("mph", "km/h"), example="55", low=3 * _MPH, high=150 * _MPH),
    *(Column(name=name, required=False) for name in ("road", "two_way", "open", "profile", "note")),
    *(Column(name=name, required=False) for name in ("air_conditioning", "heater", "low_gear", "flow")),
)


# --- places ---


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Rows of every key that was read, and the places without a fault."""

    file: str
    rows: dict[str, int]
    good: dict[str, Place]


def read_places(table: Table) -> Places:
    """Read the rows of the table of places.

    Parameters
    ----------
    table : Table
        The table; faults of its cells go to its problems. [-]

    Returns
    -------
    Places
        Sound ones, and the rows of all.
    """
    found = Places(file=table.file, rows={}, good={})
    pair = {"high", "low"} & table.named
    if len(pair) == 1:
        table.problems.add(
            table.file, f"the column '{pair.pop()}' stands without its partner; high and low go together"
        )
    for row in table.rows:
        key = _place_key(row, found.rows)
        place = _place(row, key)
        if place is not None and key not in found.rows:
            found.good[key] = place
        if key:
            found.rows.setdefault(key, row.number)
    return found


def _place_key(row: Row, taken: dict[str, int]) -> str:
    key = row.text("place")
    if key in taken:
        row.fault("place", f"'{key}' stands in row {taken[key]} too; every place needs its own key")
    elif key and _KEY.fullmatch(key) is None:
        better = re.sub(r"[^a-z0-9]+", "-", key.casefold()).strip("-") or "deadman-pass"
        row.fault(
            "place", f"read {shown(key)}; keys have only a-z, 0-9 and -, at most {limits.KEY}, e.g. '{better[:50]}'"
        )
    return key


def _place(row: Row, key: str) -> Place | None:
    name = row.text("name")
    position = _position(row)
    elevation_m = row.value("elevation")
    kind = row.choice("kind", KINDS, "waypoint")
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
    )


def _position(row: Row) -> tuple[float, float] | None:
    lat, lon = row.value("lat"), row.value("lon")
    if lat is None or lon is None:
        return None
    if abs(lat) <= 90 and abs(lon) <= 180:
        return lat, lon
    name, value, limit = ("lat", lat, 90) if abs(lat) > 90 else ("lon", lon, 180)
    swapped = abs(lat) <= 180 and abs(lon) <= 90
    advice = "are lat and lon swapped?" if swapped else "write decimal degrees"
    row.fault(name, f"read {value:g}; allowed is -{limit} to {limit}; {advice}")
    return None


def _services(row: Row) -> frozenset[str]:
    words = row.cell("services").casefold().split()
    for word in words:
        if word not in SERVICES:
            row.fault(
                "services",
                f"read {shown(word)}; {row.table.problems.nearest(word, SERVICES)} Words are parted by spaces",
            )
    return frozenset(words)


def _temperatures(row: Row) -> tuple[float | None, float | None]:
    high_k, low_k = row.value("high"), row.value("low")
    given = [name for name in ("high", "low") if row.cell(name)]
    if len(given) == 1 and {"high", "low"} <= row.table.headings.keys():
        other = "low" if given == ["high"] else "high"
        row.fault(given[0], f"stands without '{other}'; give both or neither")
        return None, None
    if high_k is not None and low_k is not None and low_k > high_k:
        row.fault("low", f"the low {shown(row.cell('low'))} is above the high {shown(row.cell('high'))}; swap them?")
    return high_k, low_k


# --- legs ---


def draft_of(place_table: Table, leg_table: Table, places: Places, profiles: Profiles) -> Draft:
    """Read the rows of the table of legs, and put them beside the places for the checks across them.

    Parameters
    ----------
    place_table, leg_table : Table
        The tables; faults of their cells go to their problems. [-]
    places : Places
        What `read_places` made of the first. [-]
    profiles : Profiles
        Reads the profiles that legs name. [-]

    Returns
    -------
    Draft
        Sound rows only.
    """
    legs, rows = [], []
    for row in leg_table.rows:
        leg = _leg(row, places, profiles)
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


def _leg(row: Row, places: Places, profiles: Profiles) -> Leg | None:
    start, finish = _leg_end(row, "from", places), _leg_end(row, "to", places)
    if start and start == finish:
        row.fault("to", f"the leg goes from '{start}' to itself; put a place between")
        start = ""
    distance_m, speed_m_per_s = row.value("distance"), row.value("speed")
    two_way, season = row.choice("two_way", _YES_NO, "yes"), _season(row)
    seasonal = _SEASON.fullmatch(row.cell("open").strip()) is not None
    is_open = "yes" if seasonal else row.choice("open", _YES_NO, "yes")
    cooled = row.choice("air_conditioning", _YES_NO, "")
    profile = profiles.for_leg(row, distance_m, [places.good.get(start), places.good.get(finish)])
    if not start or not finish or distance_m is None or speed_m_per_s is None:
        return None
    return Leg(
        start=start,
        finish=finish,
        distance_m=distance_m,
        speed_m_per_s=speed_m_per_s,
        road=row.cell("road"),
        two_way=two_way == "yes",
        open=is_open == "yes",
        profile=profile,
        note=row.cell("note"),
        season=season,
        air_conditioning={"yes": True, "no": False}.get(cooled),
        heater=row.choice("heater", _YES_NO, "no") == "yes",
        low_gear=row.choice("low_gear", _YES_NO, "no") == "yes",
        idle_share=IDLE_SHARE[row.choice("flow", tuple(IDLE_SHARE), "free")],
    )


def _season(row: Row) -> tuple[tuple[int, int], tuple[int, int]] | None:
    """Read an 'open' cell such as '05-28..10-15'; None when it is a yes, a no or empty."""
    match = _SEASON.fullmatch(row.cell("open").strip())
    if match is None:
        return None
    try:
        first, last = (date(2000, int(match[i]), int(match[i + 1])) for i in (1, 3))
    except ValueError:
        row.fault("open", f"read {shown(row.cell('open'))}; write month-day..month-day, e.g. 05-28..10-15")
        return None
    return (first.month, first.day), (last.month, last.day)


def _leg_end(row: Row, name: str, places: Places) -> str:
    """Return the key of a place that is known, else an empty text."""
    key = row.text(name)
    if not key or not places.rows or key in places.rows:
        return key
    advice = row.table.problems.nearest(key, places.rows)
    row.fault(name, f"read {shown(key)}, which is not in {places.file}; {advice}")
    return ""
