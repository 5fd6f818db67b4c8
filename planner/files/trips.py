"""Reading a trip folder into a `Trip`: trip.toml, the tables of places and legs, elevation profiles.

The tables are places.csv and legs.csv, or the sheets of trip.xlsx. Nothing is written.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from planner.errors import TripError
from planner.files import limits
from planner.files.checks import Draft, check_duplicates, check_grades, check_positions, check_temperatures
from planner.files.profiles import ELEVATION, Profiles
from planner.files.reading import Problems, open_text
from planner.files.routes import check_route
from planner.files.settings import FILE as TOML
from planner.files.settings import Settings, parse_settings
from planner.files.tables import Column, Row, Table, read_table, table_of
from planner.files.workbook import FILE as WORKBOOK
from planner.files.workbook import Records, read_sheets, sheet_file
from planner.model import Leg, Place, Trip
from planner.plaintext import printable
from thermal.tomltext import TOML_BYTES, shown

PLACES, LEGS = "places.csv", "legs.csv"
KINDS = ("town", "pass", "junction", "summit", "rest-area", "viewpoint", "border", "waypoint")
SERVICES = ("fuel", "lodging", "food", "workshop", "parking", "water")
_KEY = re.compile(f"[a-z0-9-]{{1,{limits.KEY}}}")
_MPH = 0.44704
_ASSUMED_DEPARTURE = "2027-07-15 08:00"
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


def read_trip(folder: Path) -> Trip:
    """Read everything but the vehicle from a trip folder.

    Parameters
    ----------
    folder : Path
        Folder with trip.toml, and places.csv and legs.csv or trip.xlsx. [-]

    Returns
    -------
    Trip
        Checked, in SI; what was not said is listed in `assumptions`.

    Raises
    ------
    TripError
        If anything is wrong; it carries every problem of the folder, one sentence each.
    """
    problems = Problems()
    _check_folder(folder)
    place_table, leg_table = _tables(folder, problems)
    places = _Places(file=PLACES, rows={}, good={}) if place_table is None else _read_places(place_table)
    assumptions: list[str] = []
    settings_text = _settings_text(folder, places, assumptions, problems)
    settings = None
    if settings_text is not None:
        name = printable(folder.resolve().name)
        settings = parse_settings(settings_text, folder_name=name, problems=problems)
    draft = None
    if place_table is not None and leg_table is not None:
        profiles = Profiles(folder, problems)
        draft = _draft(place_table, leg_table, places, profiles)
        assumptions += [*profiles.notes, *check_positions(draft)]
        check_grades(draft)
        check_duplicates(draft)
    if settings is not None and draft is not None:
        check_temperatures(draft, settings.departure)
        check_route(settings, draft, places.rows)
    if len(problems) or settings is None or draft is None:
        raise TripError(problems.sentences())
    return _assemble(folder, settings, draft, detours=assumptions)


def _settings_text(folder: Path, places: "_Places", assumptions: list[str], problems: Problems) -> str | None:
    """Text of trip.toml; without one, from the first place to the last on a day in July."""
    if (folder / TOML).exists() or (folder / TOML).is_symlink() or len(places.good) < 2:
        return _required_text(folder, TOML, TOML_BYTES, problems)
    keys = list(places.good)
    assumptions.append(
        f"No trip.toml: from the first place, {keys[0]}, to the last, {keys[-1]}, at {_ASSUMED_DEPARTURE} assumed."
    )
    return f'start = "{keys[0]}"\nfinish = "{keys[-1]}"\ndeparture = "{_ASSUMED_DEPARTURE}"\n'


# --- files ---


def _check_folder(folder: Path) -> None:
    try:
        if folder.is_dir():
            return
        folder.exists()
    except OSError as exc:
        message = f"trip folder {shown(str(folder))} cannot be opened ({exc.strerror}); give a shorter or another path"
        raise TripError([message]) from exc
    what = "is a file, not a folder" if folder.exists() else "does not exist"
    message = f"trip folder {shown(str(folder))} {what}; 'grademargin new DIR' makes one to start from"
    raise TripError([message])


def _required_text(folder: Path, file: str, max_bytes: int, problems: Problems) -> str | None:
    missing = f"is missing in {shown(str(folder))}; 'grademargin new DIR' makes a folder with one to start from"
    return open_text(folder, file, max_bytes=max_bytes, problems=problems, missing=missing)


def _tables(folder: Path, problems: Problems) -> tuple[Table | None, Table | None]:
    """Read the places and the legs, from trip.xlsx or the CSV files, whichever is there."""
    if not (folder / WORKBOOK).exists() and not (folder / WORKBOOK).is_symlink():
        return (
            _table(folder, PLACES, PLACE_COLUMNS, limits.PLACES, problems),
            _table(folder, LEGS, LEG_COLUMNS, limits.LEGS, problems),
        )
    beside = [file for file in (PLACES, LEGS) if (folder / file).exists()]
    if beside:
        csv = " and ".join(beside)
        text = f"stands beside {csv}, and neither goes before the other; move {WORKBOOK} or {csv} out of the folder"
        problems.add(WORKBOOK, text)
        return None, None
    sheets = read_sheets(folder, max_rows={"places": limits.PLACES, "legs": limits.LEGS}, problems=problems)
    return _sheet(sheets, "places", PLACE_COLUMNS, problems), _sheet(sheets, "legs", LEG_COLUMNS, problems)


def _sheet(sheets: Mapping[str, Records], name: str, columns: Sequence[Column], problems: Problems) -> Table | None:
    if name not in sheets:
        return None
    return table_of(sheets[name], file=sheet_file(name), columns=columns, delimiter="", problems=problems)


def _table(folder: Path, file: str, columns: Sequence[Column], max_rows: int, problems: Problems) -> Table | None:
    text = _required_text(folder, file, limits.TABLE_BYTES, problems)
    if text is None:
        return None
    return read_table(text, file=file, columns=columns, max_rows=max_rows, problems=problems)


# --- places ---


@dataclass(frozen=True, slots=True, kw_only=True)
class _Places:
    """Rows of every key that was read, and the places without a fault."""

    file: str
    rows: dict[str, int]
    good: dict[str, Place]


def _read_places(table: Table) -> _Places:
    found = _Places(file=table.file, rows={}, good={})
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


def _draft(place_table: Table, leg_table: Table, places: _Places, profiles: Profiles) -> Draft:
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


def _leg(row: Row, places: _Places, profiles: Profiles) -> Leg | None:
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


def _leg_end(row: Row, name: str, places: _Places) -> str:
    """Return the key of a place that is known, else an empty text."""
    key = row.text(name)
    if not key or not places.rows or key in places.rows:
        return key
    advice = row.table.problems.nearest(key, places.rows)
    row.fault(name, f"read {shown(key)}, which is not in {places.file}; {advice}")
    return ""


# --- the trip ---


def _assemble(folder: Path, settings: Settings, draft: Draft, *, detours: Sequence[str]) -> Trip:
    any_lodging = any("lodging" in place.services for place in draft.places.values())
    return Trip(
        name=settings.name,
        folder=folder,
        units=settings.units,
        route=settings.route,
        explicit=settings.explicit,
        departure=settings.departure,
        day=settings.day(any_lodging=any_lodging),
        nights=settings.nights,
        halts=settings.halts,
        confidence=settings.confidence,
        thin_band_k=settings.thin_band_k,
        air_conditioning=settings.air_conditioning,
        prefer=settings.prefer,
        rest=settings.rest,
        risk=settings.risk,
        service=settings.service,
        mornings=settings.mornings,
        normals=settings.normals,
        events=settings.events,
        finish_by=settings.finish_by,
        places=dict(draft.places),
        legs=tuple(draft.legs),
        assumptions=(*_table_assumptions(draft), *settings.assumptions, *_lodging(settings, any_lodging), *detours),
    )


def _lodging(settings: Settings, any_lodging: bool) -> tuple[str, ...]:
    if settings.lodging_only is not None:
        return ()
    where = "only at places with lodging" if any_lodging else "at any place, as none has lodging"
    return (f"Days assumed to end {where} (no 'day.lodging_only' in trip.toml).",)


def _table_assumptions(draft: Draft) -> list[str]:
    """Return sentences for cells left empty in the tables, the weightiest first."""
    found = []
    places, legs = draft.places.values(), draft.legs
    if all(place.high_k is None for place in places):
        found.append("No place has 'high' and 'low'; 35 degC / 20 degC at 300 m elevation assumed.")
    else:
        bare = sum(place.high_k is None for place in places)
        if bare:
            found.append(f"{bare} of {len(places)} places have no high and low; taken from the others.")
    flat = sum(leg.profile is None for leg in legs)
    if flat:
        found.append(f"{flat} of {len(legs)} legs have no profile; an even grade between their places assumed.")
    without = sum(not row.cell("kind") for row in draft.place_table.rows)
    if without:
        found.append(f"{without} of {len(places)} places have no kind; taken as waypoints.")
    for name, taken in (("two_way", "driveable both ways"), ("open", "open")):
        if not any(row.cell(name) for row in draft.leg_table.rows):
            found.append(f"Every leg taken as {taken} (no '{name}' in {draft.leg_table.file}).")
    return found
