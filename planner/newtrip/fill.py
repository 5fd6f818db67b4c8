"""Filling in places.csv from names: key, position, elevation, usual high and low, from the table of towns."""

import csv
import functools
import io
import math
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

from planner.files import limits
from planner.files.coordinates import degrees_of
from planner.files.folder import check_folder
from planner.files.reading import Problems, open_text
from planner.files.settings import parse_settings
from planner.files.tables import delimiter_of, split_heading
from planner.files.wholefile import replace_files, write_new
from planner.ground.towns import Town, apart_km, towns_named, towns_spelled_like
from planner.ground.usual import Usual, usual_highs_lows
from planner.model.errors import OutputError, TripError
from planner.newtrip.make import DEPARTURE
from thermal.errors import shown

PLACES, FILLED, SHEETS = "places.csv", "places-filled.csv", "trip.xlsx"
LOWEST_M, HIGHEST_M = -450.0, 6500.0  # as for places
_ASTRAY_KM = 30.0
"""ASSUMED: a position farther from a town than this is not its; likely range 10 to 50 km."""
_FAR_KM = 1500.0
"""ASSUMED: a town farther from every other place than this is another of that name; likely range 800 to 2,500 km."""
_SUGGESTED = 10  # questions with a suggestion; each compares thousands of names
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
    check_folder(folder)
    problems = Problems()
    text = open_text(folder, PLACES, problems=problems)
    if text is None and (folder / SHEETS).is_file():
        message = f"{PLACES}: is missing; --fill works on it alone, and this trip has its places in {SHEETS}"
        raise TripError([f"{message}; save the sheet 'places' as {PLACES}, fill that and copy the cells back"])
    if text is None:
        raise TripError(problems.found())
    units, day = _units_and_day(folder)
    sheet = _Sheet(text, units)
    filled: list[str] = []
    unclear: list[str] = []
    elsewhere = _where(sheet)
    for number, cells in sheet.rows():
        _fill_row(sheet, number, cells, day, filled, unclear, elsewhere)
    return Filled(text=sheet.text(), filled=tuple(filled), open=tuple(unclear))


def _where(sheet: "_Sheet") -> dict[int, tuple[float, float]]:
    """Position of every row that has one, typed or of the only town of its name."""
    found: dict[int, tuple[float, float]] = {}
    for number, cells in sheet.rows():
        typed = sheet.number(cells, "lat"), sheet.number(cells, "lon")
        if isinstance(typed[0], float) and isinstance(typed[1], float):
            found[number] = typed[0], typed[1]
            continue
        towns = towns_named(sheet.name(cells))
        if len(towns) == 1:
            found[number] = towns[0].lat_deg, towns[0].lon_deg
    return found


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
        self._width = len(lines[head])
        if self._width == 1:  # only names: a comma in one parts nothing
            lines[head + 1 :] = [
                cells if _passed_by(cells) else [", ".join(map(str.strip, cells))] for cells in lines[head + 1 :]
            ]
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

    def too_long(self, cells: list[str]) -> bool:
        """Whether a row as read has more cells than headings."""
        return any(cell.strip() for cell in cells[self._width :])

    def name(self, cells: list[str]) -> str:
        """The place's name, else its key as words."""
        return self.cell(cells, "name") or self.cell(cells, "place").replace("-", " ")

    def number(self, cells: list[str], name: str) -> float | str | None:
        """Value of lat, lon or elevation in degrees or metres; None if empty, else why it cannot be."""
        text = self.cell(cells, name)
        if not text:
            return None
        text = text.replace(",", ".") if self._delimiter == ";" else text  # a decimal comma
        if name != "elevation":
            degrees = degrees_of(text, name)
            allowed = 90.0 if name == "lat" else 180.0
            if isinstance(degrees, float) and abs(degrees) <= allowed:
                return degrees
            return f"{name} reads {shown(text)}; allowed is {-allowed:.0f} to {allowed:.0f}, or 35.2° N"
        unit = 0.3048 if self.feet("elevation") else 1.0
        try:
            metres = float(text.replace(",", "")) * unit
        except ValueError:
            metres = math.nan
        if LOWEST_M <= metres <= HIGHEST_M:
            return metres
        limits_shown = f"{LOWEST_M / unit:,.0f} to {HIGHEST_M / unit:,.0f} {'ft' if unit < 1.0 else 'm'}"
        return f"elevation reads {shown(text)}; allowed is {limits_shown}"

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


def _fill_row(
    sheet: _Sheet,
    number: int,
    cells: list[str],
    day: date,
    filled: list[str],
    unclear: list[str],
    elsewhere: Mapping[int, tuple[float, float]],
) -> None:
    if sheet.too_long(cells):
        unclear.append(
            f'row {number}: more cells than headings; put a name with a comma in quotation marks, "Raton, NM"'
        )
        return
    name = sheet.name(cells)
    wrong = [text for key in ("lat", "lon", "elevation") if isinstance(text := sheet.number(cells, key), str)]
    if bool(sheet.cell(cells, "lat")) != bool(sheet.cell(cells, "lon")):
        wrong.append("has only one of lat and lon; enter both, or neither")
    if wrong:
        unclear.append(f"row {number}: {'; '.join(wrong)}; nothing was filled in")
        return
    said: list[str] = []
    town = None
    if not (sheet.cell(cells, "lat") and sheet.cell(cells, "lon") and sheet.cell(cells, "elevation")):
        town, question = _town(sheet, number, cells, name, elsewhere, suggest=len(unclear) < _SUGGESTED)
        if town is None:
            unclear.append(f"row {number}: {question}")
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


def _town(
    sheet: _Sheet,
    number: int,
    cells: list[str],
    name: str,
    elsewhere: Mapping[int, tuple[float, float]],
    *,
    suggest: bool,
) -> tuple[Town | None, str]:
    """The town that a row means, or a question: none, several, or one that is not where the others are."""
    if not sheet.cell(cells, "name") and not sheet.cell(cells, "place"):
        return None, "has no name; write a town under 'name', e.g. 'Kingman, AZ', or enter lat, lon and elevation"
    found = towns_named(name)
    if not found:
        near = [f"'{one.full_name}'" for one in towns_spelled_like(name)] if suggest else []
        meant = f"did you mean {' or '.join(near)}? Else " if near else ""
        return None, f"'{name}' is not in the table of towns; {meant}enter lat, lon and elevation"
    if len(found) > 1:
        which = ", ".join(f"'{one.full_name}'" for one in found[:6])
        more = f" and {len(found) - 6} more" if len(found) > 6 else ""
        return None, f"{len(found)} towns are named '{name}': {which}{more}; write which one as 'name'"
    town = found[0]
    if sheet.cell(cells, "lat"):
        off_km = _nearest_km(town, [elsewhere[number]])
        if off_km > _ASTRAY_KM:
            return None, (
                f"lat and lon lie {off_km:,.0f} km from {town.full_name}, so its elevation was not taken; correct "
                "them, or enter the elevation"
            )
    elif town.full_name.casefold() != name.casefold():
        others = [place for row, place in elsewhere.items() if row != number]
        off_km = _nearest_km(town, others) if others and not set(",(") & set(name) else 0.0
        if off_km > _FAR_KM:
            return None, (
                f"the only town named '{name}' in the table is {town.full_name}, {off_km:,.0f} km from the nearest "
                f"other place; write '{town.full_name}' if you mean it, else enter lat, lon and elevation"
            )
    return town, ""


def _nearest_km(town: Town, places: Sequence[tuple[float, float]]) -> float:
    lat, lon = np.array(places).T
    return float(apart_km(town.lat_deg, town.lon_deg, lat, lon).min())


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
    lat, lon, height = (sheet.number(cells, name) for name in ("lat", "lon", "elevation"))
    if not (isinstance(lat, float) and isinstance(lon, float) and isinstance(height, float)):
        return []
    usual = _usual((lat, lon, height), day)
    if usual is None:
        return []
    fahrenheit = sheet.feet("high")

    def degrees(kelvin: float) -> str:
        return f"{(kelvin - 273.15) * 1.8 + 32.0:.0f}" if fahrenheit else f"{kelvin - 273.15:.0f}"

    source = f"{usual.station}, {usual.station_km:.0f} km away{' on the coast' if usual.coast else ''}"
    unit = "°F" if fahrenheit else "°C"
    if not usual.believed:
        unclear.append(
            f"row {number}: {degrees(usual.high_k)} {unit} from {source}: too uncertain to use here; enter 'high' "
            "and 'low'"
        )
        return []
    sheet.put(cells, "high", degrees(usual.high_k))
    sheet.put(cells, "low", degrees(usual.low_k))
    return [f"usually {degrees(usual.low_k)} to {degrees(usual.high_k)} {unit} (nearest station {source})"]


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
