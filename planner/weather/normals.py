"""Station normals: usual monthly highs and lows of weather stations, interpolated between the stations."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Protocol

import numpy as np

from planner.files.reading import Problems, file_fault, read_text
from planner.files.tables import Column, InputTable, read_table
from planner.ground.usual import in_month, lapse_k_per_m, month_of
from planner.model import geo
from planner.model.errors import TripError
from thermal.ranges import FloatArray as Floats

MAX_BYTES, MAX_ROWS = 30_000_000, 50_000
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
NEIGHBOURS = 8
_NEAR_KM = 10.0  # bounds the weight of a station at the point
_ALIKE_M = 400.0  # difference of elevation at which a station's weight has fallen to 1/e
_TEMPERATURE = {"number": True, "unit": "K", "usual": ("degC", "degF"), "low": 193.15, "high": 333.15}
COLUMNS = (
    Column(name="station", example="USC00050848"),
    Column(name="lat", number=True, example="40.0", low=-90.0, high=90.0),
    Column(name="lon", number=True, example="-105.3", low=-180.0, high=180.0),
    Column(name="elevation", number=True, unit="m", usual=("m", "ft"), example="1650", low=-450.0, high=6500.0),
    *(Column(name=f"high_{month}", example="31.2", **_TEMPERATURE) for month in range(1, 13)),  # type: ignore[arg-type]
    *(Column(name=f"low_{month}", example="14.0", **_TEMPERATURE) for month in range(1, 13)),  # type: ignore[arg-type]
    Column(name="name", required=False),
    Column(name="state", required=False),
    Column(name="flags", required=False),
)
_OTHER_NAMES = {"station_id": "station", "elev_m": "elevation [m]", "elev_ft": "elevation [ft]"}
_OTHER_MONTH = re.compile(r"t(max|min)_([a-z]{3})_([cf])", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualHighLow:
    """Usual high and low of a point, and the interpolation error, which adds to the day-to-day spread."""

    high_k: float
    low_k: float
    error_k: float = 0.0


class StationNormals(Protocol):
    """A source of usual highs and lows between weather stations."""

    @property
    def words(self) -> str:
        """Description, as the rest of "Weather at Raton:"."""

    def at(self, where: Floats, *, day: date) -> Sequence[UsualHighLow | None]:
        """Usual highs and lows of points (latitude, longitude, elevation; shape (n, 3)); None with no station near."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Normals:
    """Usual monthly highs and lows of stations; arrays over stations, shape (n,) or (n, 12)."""

    file: str
    station: tuple[str, ...]
    lat_deg: Floats
    lon_deg: Floats
    elevation_m: Floats
    high_k: Floats
    low_k: Floats

    @property
    def words(self) -> str:
        """Description, as the rest of a sentence."""
        return f"station normals from {self.file}"

    def at(self, where: Floats, *, day: date) -> list[UsualHighLow]:
        """Usual highs and lows of points."""
        return [UsualHighLow(high_k=high, low_k=low) for high, low in usual_at(self, where, day=day)]


def read_normals(path: Path, *, root: Path) -> Normals:
    """Read a table of station normals."""
    problems = Problems()
    fault = file_fault(path, root=root, max_bytes=MAX_BYTES)
    if fault is not None:
        problems.add(path.name, fault, code="file-access")
    text = read_text(path, file=path.name, max_bytes=MAX_BYTES, problems=problems) if fault is None else None
    normals = None
    if text is not None:
        table = read_table(_renamed(text), file=path.name, columns=COLUMNS, max_rows=MAX_ROWS, problems=problems)
        normals = None if table is None or len(problems) else _normals(table)
    if len(problems) or normals is None:
        raise TripError(problems.found())
    return normals


def _renamed(text: str) -> str:
    """Write the headings of the public monthly files in this program's form."""
    first, mark, rest = text.partition("\n")
    cells = []
    for cell in first.rstrip("\r").split(","):
        name = cell.strip().strip('"').casefold()
        month = _OTHER_MONTH.fullmatch(name)
        if month is not None and month[2] in MONTHS:
            which = "high" if month[1] == "max" else "low"
            cells.append(f"{which}_{MONTHS.index(month[2]) + 1} [{'degC' if month[3] == 'c' else 'degF'}]")
        else:
            cells.append(_OTHER_NAMES.get(name, cell))
    return ",".join(cells) + mark + rest


def _normals(table: InputTable) -> Normals | None:
    def column(name: str) -> list[float]:
        found = [row.value(name) for row in table.rows]
        return [float("nan") if value is None else value for value in found]

    def months(name: str) -> Floats:
        return np.array([column(f"{name}_{month}") for month in range(1, 13)]).T

    high, low = months("high"), months("low")
    for row, upside_down in zip(table.rows, np.any(low > high, axis=1).tolist(), strict=True):
        if upside_down:
            row.fault("station", "a month's low is above its high; are the columns swapped?", code="order")
    normals = Normals(
        file=table.file,
        station=tuple(row.text("station") for row in table.rows),
        lat_deg=np.array(column("lat")),
        lon_deg=np.array(column("lon")),
        elevation_m=np.array(column("elevation")),
        high_k=high,
        low_k=low,
    )
    return None if len(table.problems) else normals


def usual_at(normals: Normals, where: Floats, *, day: date, leave_out: Sequence[int] = ()) -> list[tuple[float, float]]:
    """Usual highs and lows at points between the stations.

    Mean of the 8 nearest stations brought to the point's elevation, weights 1 / (d^2 + (10 km)^2) exp(-(dz / 400 m)^2).
    """
    from scipy.spatial import cKDTree  # slow to import, and only a table of stations needs it

    tree = cKDTree(geo.xyz_m(normals.lat_deg, normals.lon_deg))
    spare = 1 if len(leave_out) else 0
    count = min(NEIGHBOURS + spare, len(normals.station))
    near = np.reshape(tree.query(geo.xyz_m(where[:, 0], where[:, 1]), k=count)[1], (len(where), count))
    apart_km = 1e-3 * geo.distances_m(
        lat1_deg=where[:, :1], lon1_deg=where[:, 1:2], lat2_deg=normals.lat_deg[near], lon2_deg=normals.lon_deg[near]
    )
    higher_m = normals.elevation_m[near] - where[:, 2:3]
    log_weight = -np.log(apart_km**2 + _NEAR_KM**2) - (higher_m / _ALIKE_M) ** 2
    if spare:
        log_weight[near == np.asarray(leave_out)[:, np.newaxis]] = -np.inf
    weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))  # none so unlike that all weights vanish
    weight /= weight.sum(axis=1, keepdims=True)
    month = month_of(day)
    found = []
    for monthly, lapse in zip((normals.high_k, normals.low_k), lapse_k_per_m(month, lat_deg=where[:, 0]), strict=True):
        reduced = in_month(monthly[near], month) + lapse[:, np.newaxis] * higher_m
        found.append((weight * reduced).sum(axis=1))
    return [(float(max(high, low)), float(low)) for high, low in zip(*found, strict=True)]
