"""Filling in places.csv from names: key, position, elevation, usual high and low, from the table of towns."""

import csv
import functools
import io
import re
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np

from planner.files import limits
from planner.files.edits import add_columns, set_cells
from planner.files.folder import check_folder
from planner.files.names import new_key
from planner.files.reading import Problems, open_text, straight
from planner.files.rows import PLACE_COLUMNS, PLACES, position_of
from planner.files.settings import parse_settings
from planner.files.tables import InputTable, Row, delimiter_of, numbered_rows, read_table, split_heading
from planner.files.wholefile import replace_files, write_new
from planner.files.workbook import FILE as WORKBOOK
from planner.ground.towns import Town, apart_km, towns_named, towns_spelled_like
from planner.ground.usual import Usual, usual_highs_lows
from planner.model.errors import OutputError, TripError
from planner.newtrip.make import DEPARTURE

FILLED = "places-filled.csv"
_ASTRAY_KM = 30.0
"""ASSUMED: a position farther from a town than this is not its; likely range 10 to 50 km."""
_FAR_KM = 1500.0
"""ASSUMED: a town farther from every other place than this is another of that name; likely range 800 to 2,500 km."""
_SUGGESTED = 10  # questions with a suggestion; each compares thousands of names
_COLUMNS = tuple(replace(column, required=False) for column in PLACE_COLUMNS)
_FILLED_COLUMNS = ("place", "name", "lat", "lon", "elevation", "high", "low")


@dataclass(frozen=True, slots=True, kw_only=True)
class Filled:
    """A filled table as text, sentences on filled values, and on what the owner must enter."""

    text: str
    filled: tuple[str, ...]
    open: tuple[str, ...]


def fill_places(folder: Path) -> Filled:
    """Fill the empty cells of a folder's places.csv; entered values are not changed."""
    check_folder(folder)
    problems = Problems()
    text = open_text(folder, PLACES, problems=problems)
    if text is None and (folder / WORKBOOK).is_file():
        message = f"{PLACES}: is missing; --fill works on it alone, and this trip has its places in {WORKBOOK}"
        raise TripError([f"{message}; save the sheet 'places' as {PLACES}, fill that and copy the cells back"])
    if text is None:
        raise TripError(problems.found())
    units, day = _units_and_day(folder)
    text, width = _with_columns(text, metric=units == "metric")
    table = read_table(text, file=PLACES, columns=_COLUMNS, max_rows=limits.PLACES, problems=problems)
    if table is None or any(problem.code == "too-large" for problem in problems.found()):
        raise TripError(problems.found())
    work = _Filling(table, day, width)
    for row in table.rows:
        work.fill(row)
    return Filled(
        text=set_cells(text, work.changes),
        filled=tuple(work.filled),
        open=(*(sentence.removeprefix(f"{PLACES} ") for sentence in problems.sentences()), *work.open),
    )


def write_filled(folder: Path, filled: Filled, *, in_place: bool) -> Path:
    """Write the table to a new file, or to places.csv if requested; return its name."""
    path = folder / (PLACES if in_place else FILLED)
    try:
        if in_place:
            replace_files(folder, {PLACES: filled.text})
        else:
            write_new(path, filled.text)
    except FileExistsError as exc:
        message = f"{path}: already exists and was not overwritten; delete or rename it, or use --in-place"
        raise OutputError(message) from exc
    except OSError as exc:
        message = f"{path}: cannot be written ({exc.strerror or exc})"
        raise OutputError(message) from exc
    return path


def _units_and_day(folder: Path) -> tuple[str, date]:
    """Units for new headings, and the time of year, from trip.toml if readable."""
    found = Problems()
    text = open_text(folder, "trip.toml", problems=found)
    settings = None if text is None else parse_settings(text, folder_name="", problems=found)
    if settings is None or len(found):
        return "us", DEPARTURE.date()
    return settings.units, settings.departure.date()


def _with_columns(text: str, *, metric: bool) -> tuple[str, int]:
    """Append the missing columns; return the table, and its number of columns before."""
    delimiter = delimiter_of(text)
    text = straight(text, delimiter)
    try:
        rows = list(numbered_rows(io.StringIO(text, newline=None), delimiter))
    except csv.Error as exc:
        message = f'{PLACES}: cannot be split into cells ({exc}); inside a quoted cell write ""'
        raise TripError([message]) from exc
    if not rows:
        message = f"{PLACES}: is empty; the first row must be the headings, at least 'name'"
        raise TripError([message])
    heads = rows[0][1]
    there = {split_heading(cell)[0] for cell in heads}
    if not there & {"name", "place"}:
        message = f"{PLACES}: has neither a column 'name' nor a column 'place'; add one"
        raise TripError([message])
    if len(heads) == 1:  # only names: a comma in one parts nothing
        text = re.sub(r'^([^#"\r\n][^"\r\n]*,[^"\r\n]*)', r'"\1"', text, flags=re.MULTILINE)
    columns = [column for column in _COLUMNS if column.name in _FILLED_COLUMNS]
    return add_columns(text, [f"{c.name} [{c.usual[metric]}]" if c.usual else c.name for c in columns]), len(heads)


class _Filling:
    """Collects the cells to be filled, and what to say about them."""

    def __init__(self, table: InputTable, day: date, width: int) -> None:
        self.changes: dict[tuple[int, str], str] = {}
        self.filled: list[str] = []
        self.open: list[str] = []
        self._table, self._day, self._width = table, day, width
        self._keys = {row.cell("place"): 1 for row in table.rows}
        self._faulty: set[int] = set()
        self._heights: dict[int, float] = {}
        self._where: dict[int, tuple[float, float]] = {}  # typed, or of the only town of the name
        for row in table.rows:
            self._read(row)

    def _read(self, row: Row) -> None:
        before = len(self._table.problems)
        if any(cell.strip() for cell in row.cells[self._width :]):
            advice = 'put a name with a comma in quotation marks, "Raton, NM"'
            row.fault("name", f"more cells than headings; {advice}", code="heading")
        elif bool(row.cell("lat")) != bool(row.cell("lon")):
            row.fault("lat", "has only one of lat and lon; enter both, or neither", code="missing-value")
        else:
            where, height_m = position_of(row), row.value("elevation")
            towns = [] if where is not None else towns_named(_name(row))
            if height_m is not None:
                self._heights[row.number] = height_m
            if where is not None or len(towns) == 1:
                self._where[row.number] = where or (towns[0].lat_deg, towns[0].lon_deg)
        if len(self._table.problems) > before:
            self._faulty.add(row.number)

    def fill(self, row: Row) -> None:
        """Fill the empty cells of one row, unless a typed one is faulty or the town is not certain."""
        if row.number in self._faulty:
            return
        name, town = _name(row), None
        said: list[str] = []
        if not (row.cell("lat") and row.cell("elevation")):
            town = self._town(row, name)
            if town is None:
                return
            said += self._put_position(row, town)
        if not row.cell("name"):
            self._put(row, "name", name if town is None else town.full_name)
        if not row.cell("place"):
            self._put(row, "place", new_key(name, self._keys))
        if not row.cell("high") and not row.cell("low"):
            said += self._put_usual(row)
        if said:
            which = name if town is None else f"{town.full_name}, about {town.people:,.0f} people"
            self.filled.append(f"row {row.number}: {which}: {', '.join(said)}")

    def _ask(self, row: Row, question: str) -> None:
        self.open.append(f"row {row.number}: {question}")

    def _put(self, row: Row, name: str, text: str) -> None:
        self.changes[row.number, name] = text.replace(".", ",") if self._table.decimal_comma else text

    def _put_si(self, row: Row, name: str, si_value: float) -> str:
        """Write a value in the unit of its heading; return it with the unit."""
        heading = self._table.headings[name]
        self._put(row, name, f"{heading.from_si(si_value):.0f}")
        return f"{heading.from_si(si_value):.0f} {heading.unit}"

    def _town(self, row: Row, name: str) -> Town | None:
        """The town that a row means; None after a question: none, several, or one that is not where the others are."""
        found = towns_named(name)
        if not name:
            self._ask(row, "has no name; enter a town, e.g. 'Kingman, AZ', or lat, lon and elevation")
        elif not found:
            near = towns_spelled_like(name) if len(self.open) < _SUGGESTED else []
            meant = f"did you mean {' or '.join(repr(one.full_name) for one in near)}? Else " if near else ""
            self._ask(row, f"'{name}' is not in the table of towns; {meant}enter lat, lon and elevation")
        elif len(found) > 1:
            which = ", ".join(f"'{one.full_name}'" for one in found[:6])
            more = f" and {len(found) - 6} more" if len(found) > 6 else ""
            self._ask(row, f"{len(found)} towns are named '{name}': {which}{more}; write which one as 'name'")
        elif not (doubt := self._doubt(row, name, found[0])):
            return found[0]
        else:
            self._ask(row, doubt)
        return None

    def _doubt(self, row: Row, name: str, town: Town) -> str:
        """Why the only town of a name may not be meant; else an empty text."""
        if row.cell("lat"):
            off_km = _nearest_km(town, [self._where[row.number]])
            return (
                f"lat and lon lie {off_km:,.0f} km from {town.full_name}, so its elevation was not taken; correct "
                "them, or enter the elevation"
                if off_km > _ASTRAY_KM
                else ""
            )
        others = [place for number, place in self._where.items() if number != row.number]
        if not others or town.full_name.casefold() == name.casefold() or set(",(") & set(name):
            return ""
        off_km = _nearest_km(town, others)
        return (
            f"the only town named '{name}' in the table is {town.full_name}, {off_km:,.0f} km from the nearest "
            f"other place; write '{town.full_name}' if you mean it, else enter lat, lon and elevation"
            if off_km > _FAR_KM
            else ""
        )

    def _put_position(self, row: Row, town: Town) -> list[str]:
        said = []
        if not row.cell("lat"):
            self._put(row, "lat", f"{town.lat_deg:.3f}")
            self._put(row, "lon", f"{town.lon_deg:.3f}")
            said.append(f"at {town.lat_deg:.3f}, {town.lon_deg:.3f}")
        if not row.cell("elevation"):
            said.append(f"{self._put_si(row, 'elevation', town.elevation_m)} high")
        self._where[row.number] = self._where.get(row.number, (town.lat_deg, town.lon_deg))
        self._heights.setdefault(row.number, town.elevation_m)
        return said

    def _put_usual(self, row: Row) -> list[str]:
        """Write usual temperatures where nearby stations are reliable; report the others."""
        usual = _usual((*self._where[row.number], self._heights[row.number]), self._day)
        if usual is None:
            return []
        source = f"{usual.station}, {usual.station_km:.0f} km away{' on the coast' if usual.coast else ''}"
        heading = self._table.headings["high"]
        if not usual.believed:
            high = f"{heading.from_si(usual.high_k):.0f} {heading.unit} from {source}"
            self._ask(row, f"{high}: too uncertain to use here; enter 'high' and 'low'")
            return []
        low, high = self._put_si(row, "low", usual.low_k), self._put_si(row, "high", usual.high_k)
        return [f"usually {low} to {high} (nearest station {source})"]


def _name(row: Row) -> str:
    """The place's name, else its key as words."""
    return row.cell("name") or row.cell("place").replace("-", " ")


def _nearest_km(town: Town, places: list[tuple[float, float]]) -> float:
    lat, lon = np.array(places).T
    return float(apart_km(town.lat_deg, town.lon_deg, lat, lon).min())


@functools.lru_cache(maxsize=4096)
def _usual(where: tuple[float, float, float], day: date) -> Usual | None:
    return usual_highs_lows([where], day=day)[0]
