"""Filling in places.csv from names: key, position, elevation, usual high and low, from the table of towns."""

import csv
import functools
import io
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from planner.files import limits
from planner.files.reading import Problems, open_text
from planner.files.settings import parse_settings
from planner.files.tables import delimiter_of, split_heading
from planner.files.wholefile import replace_files, write_new
from planner.ground.towns import Town, towns_named
from planner.ground.usual import Usual, usual_highs_lows
from planner.model.errors import OutputError, TripError
from planner.newtrip.make import DEPARTURE

PLACES, FILLED = "places.csv", "places-filled.csv"
_FIRST = ("place", "name", "lat", "lon", "elevation", "high", "low")
_UNITS: Mapping[str, Mapping[str, str]] = {
    "us": {"elevation": "ft", "high": "degF", "low": "degF"},
    "metric": {"elevation": "m", "high": "degC", "low": "degC"},
}
_FEET, _FAHRENHEIT = {"ft", "feet", "foot"}, {"degf", "°f", "f"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Filled:
    """A filled table as text, sentences on filled values, and on what the owner must enter."""

    text: str
    filled: tuple[str, ...]
    open: tuple[str, ...]


def fill_places(folder: Path) -> Filled:
    """Fill the empty cells of a folder's places.csv; entered values are not changed."""
    problems = Problems()
    text = open_text(folder, PLACES, problems=problems)
    if text is None:
        raise TripError(problems.found())
    units, day = _units_and_day(folder)
    sheet = _Sheet(text, units)
    filled: list[str] = []
    unclear: list[str] = []
    for number, cells in sheet.rows():
        _fill_row(sheet, number, cells, day, filled, unclear)
    return Filled(text=sheet.text(), filled=tuple(filled), open=tuple(unclear))


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


class _Sheet:
    """A table as rows of cells including comments; missing columns are added at the end."""

    def __init__(self, text: str, units: str) -> None:
        self._delimiter = delimiter_of(text)
        lines = list(csv.reader(io.StringIO(text, newline=""), delimiter=self._delimiter))
        self._lines = lines
        head = next((n for n, cells in enumerate(lines) if not _passed_by(cells)), None)
        if head is None or len(lines) > limits.PLACES:
            message = f"{PLACES}: is empty; the first row must be the headings, at least 'name'"
            raise TripError([message])
        self._head = head
        self._column = {split_heading(cell)[0]: n for n, cell in enumerate(lines[head])}
        self._unit = {split_heading(cell)[0]: split_heading(cell)[2].casefold() for cell in lines[head]}
        if "name" not in self._column and "place" not in self._column:
            message = f"{PLACES}: has neither a column 'name' nor a column 'place'; add one"
            raise TripError([message])
        for name in _FIRST:
            if name not in self._column:
                unit = _UNITS[units].get(name, "")
                self._column[name] = len(lines[head])
                self._unit[name] = unit.casefold()
                lines[head].append(f"{name} [{unit}]" if unit else name)
        self.keys = {self.cell(cells, "place"): 1 for _, cells in self.rows()}

    def rows(self) -> list[tuple[int, list[str]]]:
        """Rows below the heading with their number as a spreadsheet shows it."""
        return [(n + 1, cells) for n, cells in enumerate(self._lines) if n > self._head and not _passed_by(cells)]

    def cell(self, cells: list[str], name: str) -> str:
        """Text of a cell."""
        index = self._column[name]
        return cells[index].strip() if index < len(cells) else ""

    def put(self, cells: list[str], name: str, text: str) -> None:
        """Write into a cell."""
        index = self._column[name]
        cells += [""] * (index + 1 - len(cells))
        cells[index] = text

    def feet(self, name: str) -> bool:
        """Whether a column is in feet or degrees Fahrenheit."""
        return self._unit[name] in _FEET | _FAHRENHEIT

    def text(self) -> str:
        """The table as text, rows as long as the heading."""
        out = io.StringIO()
        writer = csv.writer(out, delimiter=self._delimiter, lineterminator="\n")
        width = len(self._lines[self._head])
        for number, cells in enumerate(self._lines):
            if _passed_by(cells):
                out.write(self._delimiter.join(cells) + "\n")
            else:
                writer.writerow(cells if number < self._head else cells + [""] * (width - len(cells)))
        return out.getvalue()


def _passed_by(cells: list[str]) -> bool:
    """Whether a row is blank or a comment."""
    return not any(cell.strip() for cell in cells) or cells[0].startswith("#")


def _fill_row(sheet: _Sheet, number: int, cells: list[str], day: date, filled: list[str], unclear: list[str]) -> None:
    name = sheet.cell(cells, "name") or sheet.cell(cells, "place").replace("-", " ")
    said: list[str] = []
    town = None
    if not (sheet.cell(cells, "lat") and sheet.cell(cells, "lon") and sheet.cell(cells, "elevation")):
        town = _town(sheet, number, cells, name, unclear)
        if town is None:
            return
        said += _put_position(sheet, cells, town)
    if not sheet.cell(cells, "name"):
        sheet.put(cells, "name", name if town is None else town.full_name)
    if not sheet.cell(cells, "place"):
        sheet.put(cells, "place", _key(name, sheet.keys))
    if not sheet.cell(cells, "high") and not sheet.cell(cells, "low"):
        said += _put_usual(sheet, number, cells, day, unclear)
    if said:
        which = name if town is None else f"{town.full_name}, about {town.people:,.0f} people"
        filled.append(f"row {number}: {which}: {', '.join(said)}")


def _town(sheet: _Sheet, number: int, cells: list[str], name: str, unclear: list[str]) -> Town | None:
    """The town of a name if unique; reports none or several."""
    found = towns_named(name)
    if len(found) == 1:
        return found[0]
    if found:
        which = ", ".join(f"'{one.full_name}'" for one in found[:6])
        more = f" and {len(found) - 6} more" if len(found) > 6 else ""
        unclear.append(f"row {number}: {len(found)} towns are named '{name}': {which}{more}; write which one as 'name'")
    else:
        unclear.append(f"row {number}: '{name}' is not in the table of towns; enter lat, lon and elevation")
    return None


def _put_position(sheet: _Sheet, cells: list[str], town: Town) -> list[str]:
    said = []
    if not sheet.cell(cells, "lat") or not sheet.cell(cells, "lon"):
        sheet.put(cells, "lat", f"{town.lat_deg:.3f}")
        sheet.put(cells, "lon", f"{town.lon_deg:.3f}")
        said.append(f"at {town.lat_deg:.3f}, {town.lon_deg:.3f}")
    if not sheet.cell(cells, "elevation"):
        feet = sheet.feet("elevation")
        sheet.put(cells, "elevation", f"{town.elevation_m / 0.3048 if feet else town.elevation_m:.0f}")
        said.append(f"{sheet.cell(cells, 'elevation')} {'ft' if feet else 'm'} high")
    return said


def _put_usual(sheet: _Sheet, number: int, cells: list[str], day: date, unclear: list[str]) -> list[str]:
    """Write usual temperatures where nearby stations are reliable; report the others."""
    try:
        height = float(sheet.cell(cells, "elevation")) * (0.3048 if sheet.feet("elevation") else 1.0)
        where = float(sheet.cell(cells, "lat")), float(sheet.cell(cells, "lon")), height
    except ValueError:
        return []
    usual = _usual(where, day)
    if usual is None:
        return []
    fahrenheit = sheet.feet("high")

    def shown(kelvin: float) -> str:
        return f"{(kelvin - 273.15) * 1.8 + 32.0:.0f}" if fahrenheit else f"{kelvin - 273.15:.0f}"

    source = f"{usual.station}, {usual.station_km:.0f} km away{' on the coast' if usual.coast else ''}"
    degree = "°F" if fahrenheit else "°C"
    if not usual.believed:
        unclear.append(
            f"row {number}: {shown(usual.high_k)} {degree} from {source}: too uncertain to use here; enter 'high' "
            "and 'low'"
        )
        return []
    sheet.put(cells, "high", shown(usual.high_k))
    sheet.put(cells, "low", shown(usual.low_k))
    return [f"usually {shown(usual.low_k)} to {shown(usual.high_k)} {degree} (nearest station {source})"]


@functools.lru_cache(maxsize=4096)
def _usual(where: tuple[float, float, float], day: date) -> Usual | None:
    return usual_highs_lows([where], day=day)[0]


def _key(name: str, taken: dict[str, int]) -> str:
    letters = unicodedata.normalize("NFKD", name.casefold()).encode("ascii", "ignore").decode()
    stem = re.sub(r"[^a-z0-9]+", "-", letters).strip("-")[: limits.KEY - 5].rstrip("-") or "place"
    key = stem
    while key in taken:
        taken[stem] += 1
        key = f"{stem}-{taken[stem]}"
    taken[key] = 1
    return key
