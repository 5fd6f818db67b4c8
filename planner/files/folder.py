"""Reading a trip folder into a `Trip` and its car, and making new folders from the shipped examples.

The tables are places.csv and legs.csv, or the sheets of trip.xlsx.
"""

import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, replace
from pathlib import Path
from typing import TypeVar

from planner.files import limits
from planner.files.checks import (
    Draft,
    check_columns,
    check_duplicates,
    check_grades,
    check_positions,
    check_route,
    check_temperatures,
)
from planner.files.limits import TOML_BYTES
from planner.files.profiles import Profiles
from planner.files.reading import Problems, file_fault, open_text
from planner.files.readings import read_readings
from planner.files.rows import (
    LEG_COLUMNS,
    LEGS,
    PLACE_COLUMNS,
    PLACES,
    Places,
    draft_of,
    read_places,
    read_weather_file,
)
from planner.files.sessionfile import FILE as SESSION
from planner.files.sessionfile import read_session
from planner.files.settings import FILE as TOML
from planner.files.settings import Settings, parse_settings, settings_of, with_keys
from planner.files.settingsheets import CAR, ROWS, SETTINGS, car_lines, data_of, setting_lines
from planner.files.tables import Column, InputTable, read_table, table_of
from planner.files.template import write_template
from planner.files.vehicles import about_class, class_vehicle, has_car, read_vehicle
from planner.files.wholefile import is_part, new_folder_at
from planner.files.workbook import FILE as WORKBOOK
from planner.files.workbook import Records, read_sheets, sheet_file
from planner.model.errors import OutputError, PlannerError, Problem, TripError
from planner.model.paths import data_folder
from planner.model.plaintext import printable
from planner.model.trip import SessionPlace, Trip, TripSettings, Written
from thermal.errors import ThermalError, shown
from thermal.vehicle_file import VehicleFile

_Read = TypeVar("_Read")
_SPREADSHEETS = (".xlsx", ".ods", ".xls", ".xlsm", ".numbers")
_ASSUMED_DEPARTURE = "2027-07-15 08:00"


def read_trip(folder: Path) -> Trip:
    """Read everything but the vehicle from a trip folder."""
    problems = Problems()
    check_folder(folder)
    sheets = _sheets(folder, problems)
    place_table = _table(folder, sheets, PLACES, PLACE_COLUMNS, problems)
    leg_table = _table(folder, sheets, LEGS, LEG_COLUMNS, problems)
    places = Places(file=PLACES, rows={}, good={}) if place_table is None else read_places(place_table)
    assumptions: list[str] = []
    settings = _settings(folder, sheets, places, assumptions, problems)
    draft = None
    if place_table is not None and leg_table is not None:
        profiles = Profiles(folder, problems)
        draft = draft_of(place_table, leg_table, places, profiles)
        assumptions += profiles.notes
        check_columns(draft)
        check_positions(draft)
        check_grades(draft)
        check_duplicates(draft)
    if settings is not None and draft is not None:
        names = places.names()
        settings = with_keys(settings, names)
        check_temperatures(draft, settings.departure)
        check_route(settings, draft, places.rows, names)
    if len(problems) or settings is None or draft is None:
        raise TripError(problems.found())
    return _assemble(folder, settings, draft, notes=assumptions)


def _settings(
    folder: Path,
    sheets: Mapping[str, Records] | None,
    places: Places,
    assumptions: list[str],
    problems: Problems,
) -> Settings | None:
    name = printable(folder.resolve().name)
    if sheets is not None and SETTINGS in sheets:
        if os.path.lexists(folder / TOML):
            problems.add(WORKBOOK, f"the sheet '{SETTINGS}' and {TOML} both exist; remove one", code="both-files")
            return None
        return settings_of(data_of(sheets[SETTINGS], SETTINGS, problems), folder_name=name, problems=problems)
    text = _settings_text(folder, places, assumptions, problems)
    return None if text is None else parse_settings(text, folder_name=name, problems=problems)


def _settings_text(folder: Path, places: Places, assumptions: list[str], problems: Problems) -> str | None:
    """Text of trip.toml; if missing, a default from the first place to the last in July."""
    if (folder / TOML).exists() or (folder / TOML).is_symlink() or len(places.good) < 2:
        return _required_text(folder, TOML, TOML_BYTES, problems)
    keys = list(places.good)
    assumptions.append(
        f"No trip.toml: assumed route from the first place, {keys[0]}, to the last, {keys[-1]}, departing "
        f"{_ASSUMED_DEPARTURE}."
    )
    return f'start = "{keys[0]}"\nfinish = "{keys[-1]}"\ndeparture = "{_ASSUMED_DEPARTURE}"\n'


def check_folder(folder: Path) -> None:
    """Raise TripError unless it is a folder."""
    try:
        if folder.is_dir():
            return
        folder.exists()
    except OSError as exc:
        message = f"trip folder {shown(str(folder))} cannot be opened ({exc.strerror}); give a shorter or another path"
        raise TripError([message]) from exc
    what = "is a file, not a folder" if folder.exists() else "does not exist"
    message = f"trip folder {shown(str(folder))} {what}; 'grademargin new DIR' creates one"
    raise TripError([message])


def _required_text(folder: Path, file: str, max_bytes: int, problems: Problems) -> str | None:
    missing = f"is missing in {shown(str(folder))}; 'grademargin new DIR' creates a folder with one"
    return open_text(folder, file, max_bytes=max_bytes, problems=problems, missing=missing)


def _sheets(folder: Path, problems: Problems) -> Mapping[str, Records] | None:
    if not os.path.lexists(folder / WORKBOOK):
        _check_other_sheets(folder, problems)
        return None
    beside = [file for file in (PLACES, LEGS) if (folder / file).exists()]
    if beside:
        csv, verb = " and ".join(beside), "are" if len(beside) > 1 else "is"
        text = f"{csv} {verb} also in the folder; remove {WORKBOOK} or {csv}"
        problems.add(WORKBOOK, text, code="both-files")
        return {}
    sheets = read_sheets(folder, max_rows=ROWS, problems=problems, optional=(SETTINGS, CAR))
    if not sheets and len(problems):
        raise TripError(problems.found())
    return sheets


def _check_other_sheets(folder: Path, problems: Problems) -> None:
    """Refuse a folder whose only tables are in a spreadsheet of another name."""
    found = sorted(path.name for path in folder.glob("*") if path.suffix.casefold() in _SPREADSHEETS)
    if found and not any(os.path.lexists(folder / file) for file in (PLACES, LEGS, TOML)):
        way = "rename it to" if found[0].casefold().endswith(".xlsx") else "open it and save it as"
        problems.add(WORKBOOK, f"is missing; found {shown(found[0])}: {way} {WORKBOOK}", code="file-access")
        raise TripError(problems.found())


def _table(
    folder: Path, sheets: Mapping[str, Records] | None, file: str, columns: Sequence[Column], problems: Problems
) -> InputTable | None:
    """Read one of the two tables, from its CSV file or from its sheet."""
    name = file.removesuffix(".csv")
    if sheets is None:
        text = _required_text(folder, file, limits.TABLE_BYTES, problems)
        if text is None:
            return None
        return read_table(text, file=file, columns=columns, max_rows=ROWS[name], problems=problems)
    if name not in sheets:
        return None
    return table_of(sheets[name], file=sheet_file(name), columns=columns, delimiter="", problems=problems)


def _assemble(folder: Path, settings: Settings, draft: Draft, *, notes: Sequence[str]) -> Trip:
    any_lodging = any("lodging" in place.services for place in draft.places.values())
    shared = {field.name: getattr(settings, field.name) for field in fields(TripSettings)}
    lodging_only = any_lodging if settings.lodging_only is None else settings.lodging_only
    shared["day"] = replace(settings.day, lodging_only=lodging_only)
    shared["assumptions"] = (
        *settings.assumed,
        *_table_assumptions(draft),
        *settings.assumptions,
        *_lodging(settings, any_lodging),
        *notes,
    )
    legs = tuple(replace(leg, speed_m_per_s=leg.speed_m_per_s * settings.speeds) for leg in draft.legs)
    headings = {**draft.place_table.headings, **draft.leg_table.headings}
    units = {name: heading.unit for name, heading in headings.items() if heading.unit}
    written = Written(places=draft.place_table.file, legs=draft.leg_table.file, units=units)
    return Trip(**shared, folder=folder, places=dict(draft.places), legs=legs, written=written)


def _lodging(settings: Settings, any_lodging: bool) -> tuple[str, ...]:
    if settings.lodging_only is not None:
        return ()
    where = "only at places with lodging" if any_lodging else "at any place, because none has lodging"
    return (f"Days are assumed to end {where} (no 'day.lodging_only' in trip.toml).",)


def _table_assumptions(draft: Draft) -> list[str]:
    """Return the assumptions made for empty cells, most important first."""
    found = []
    places, legs = draft.places.values(), draft.legs
    bare = sum(place.high_k is None for place in places)
    if bare == len(places):
        usual = "usual values of nearby weather stations are used, else 35 degC / 20 degC at 300 m"
        found.append(f"No place has 'high' and 'low'; {usual}.")
    elif bare:
        sources = "nearby weather stations are used, else the other places"
        found.append(f"{bare} of {len(places)} places have no high and low; {sources}.")
    flat = sum(leg.profile is None for leg in legs)
    if flat:
        found.append(f"{flat} of {len(legs)} legs have no profile; a constant grade between their places is assumed.")
    without = sum(not row.cell("kind") for row in draft.place_table.rows)
    if without:
        found.append(f"{without} of {len(places)} places have no kind; treated as waypoints.")
    for name, taken in (("two_way", "driveable both ways"), ("open", "open")):
        if not any(row.cell(name) for row in draft.leg_table.rows):
            found.append(f"Every leg assumed {taken} (no '{name}' in {draft.leg_table.file}).")
    return found


def open_folder(folder: Path) -> tuple[Trip, VehicleFile]:
    """Read a trip and its car; raise all problems of both together."""
    problems: list[Problem] = []
    trip, car = _tried(lambda: read_trip(folder), problems), None
    if trip is not None:
        read = trip
        _tried(lambda: read_weather_file(folder, read.places), problems)
        session = _tried(lambda: _session(folder, read), problems)
        readings = _tried(lambda: read_readings(folder, read), problems)
        trip = replace(trip, session=session, readings=readings or ())
    if os.path.isdir(folder):  # unlike Path.is_dir, false for a name too long
        car = _car(folder, problems)
    if problems or trip is None or car is None:
        raise TripError(problems)
    return trip, car


def _tried(read: Callable[[], _Read], problems: list[Problem]) -> _Read | None:
    """Read one part of a folder, and collect its problems."""
    try:
        return read()
    except TripError as exc:
        problems += exc.found
        return None


def _car(folder: Path, problems: list[Problem]) -> VehicleFile | None:
    path, sheet = folder / "vehicle.toml", has_car(folder)
    if sheet and os.path.lexists(path):
        text = f"the sheet '{CAR}' and {path.name} both exist; remove one"
        problems.append(Problem(code="both-files", file=WORKBOOK, text=text))
        return None
    fault = None if sheet else file_fault(path, root=folder, max_bytes=TOML_BYTES)
    if fault == "is missing" and any(problem.file == WORKBOOK for problem in problems):
        return None  # the sheet 'car' may be in what could not be read
    if fault is not None:
        problems.append(Problem(code="file-access", file=path.name, text=fault))
        return None
    try:
        return read_vehicle(path, data_folder() / "vehicles")
    except ThermalError as exc:
        problems += [Problem(code="vehicle", text=line) for line in str(exc).split("\n")]
        return None


def _session(folder: Path, trip: Trip) -> SessionPlace | None:
    """Name and place of the folder's session, if any; the whole file is checked."""
    setup = read_session(folder, trip) if os.path.lexists(folder / SESSION) else None
    return None if setup is None else SessionPlace(name=setup.name, place=setup.place)


def examples() -> tuple[str, ...]:
    """Names of the shipped example trips.

    >>> "minimal" in examples()
    True
    """
    return tuple(sorted(p.name for p in (data_folder() / "examples").iterdir() if (p / "trip.toml").is_file()))


def example_folder(name: str) -> Path:
    """Folder of a shipped example, not to be written to."""
    if name not in examples():
        message = f"example {name!r} does not exist; available: {', '.join(examples())}"
        raise PlannerError(message)
    return data_folder() / "examples" / name


def classes() -> tuple[str, ...]:
    """Names of the shipped vehicle classes."""
    return tuple(sorted(p.stem for p in (data_folder() / "vehicles").glob("*.toml")))


def class_lines() -> tuple[tuple[str, str], ...]:
    """One line per shipped class: name and description."""
    return tuple((name, about_class(data_folder() / "vehicles" / f"{name}.toml")) for name in classes())


def new_folder(folder: Path, example: str, *, finish: Callable[[Path], object] = lambda _: None) -> tuple[str, ...]:
    """Copy an example into a new trip folder."""
    source = example_folder(example)

    def fill(made: Path) -> None:
        ignored = shutil.ignore_patterns("out", "__pycache__")
        shutil.copytree(source, made, ignore=ignored, copy_function=shutil.copyfile, dirs_exist_ok=True)
        finish(made)

    return filled_folder(folder, fill)


def filled_folder(folder: Path, fill: Callable[[Path], object]) -> tuple[str, ...]:
    """Create a new folder with the files that `fill` writes, atomically; return their names."""
    try:
        taken = os.path.lexists(folder) and (not folder.is_dir() or not all(map(is_part, os.listdir(folder))))
    except OSError as exc:
        message = f"{str(folder)[:80]}: cannot be opened ({exc.strerror}); give a shorter or another path"
        raise OutputError(message) from exc
    if taken:
        message = f"{folder}: already contains files; name a new folder (nothing was overwritten)"
        raise PlannerError(message)
    try:
        with new_folder_at(folder) as made:
            fill(made)
            return tuple(sorted(str(p.relative_to(made)) for p in made.rglob("*") if p.is_file()))
    except OSError as exc:
        message = f"{str(folder)[:80]}: cannot be written ({exc.strerror or exc}); choose a folder you may write to"
        raise OutputError(message) from exc


def new_spreadsheet(folder: Path, example: str) -> tuple[str, ...]:
    """Copy an example into a new trip folder, its tables as sheets of one spreadsheet."""
    return new_folder(folder, example, finish=to_sheets)


def to_sheets(folder: Path) -> None:
    """Convert the tables, settings and car of a folder to a spreadsheet."""
    car = (folder / "vehicle.toml").read_text(encoding="utf-8")
    base = read_vehicle(folder / "vehicle.toml", data_folder() / "vehicles").base
    known = class_vehicle(base, data_folder() / "vehicles").entries
    keys = {
        SETTINGS: setting_lines((folder / TOML).read_text(encoding="utf-8")),
        CAR: car_lines(car, classes(), {entry.key: entry.text for entry in known}),
    }
    write_template(folder / WORKBOOK, folder, keys=keys)
    for file in (PLACES, LEGS, TOML, "vehicle.toml"):
        (folder / file).unlink()
