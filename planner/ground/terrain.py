"""Coarse terrain elevations: means over cells of five minutes of arc, some 9 km north to south."""

import functools
import zlib
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planner.ground.packed import damaged
from planner.model.paths import data_folder

Floats = NDArray[np.float64]

CELL_DEG = 1.0 / 12.0
STEP_M = 28.0
"""Heights are kept in steps of this."""

CREDIT = (
    "Shaded ground: Terrain Tiles. ArcticDEM (DigitalGlobe, Inc., National Science Foundation awards 1043681, 1559691, "
    "1542736); Australia © Commonwealth of Australia (Geoscience Australia) 2017; Austria © offene Daten Österreichs – "
    "Digitales Geländemodell (DGM) Österreich; Canada: contains information licensed under the Open Government Licence "
    "– Canada; Europe: produced using Copernicus data and information funded by the European Union – EU-DEM layers; "
    "ETOPO1: US National Oceanic and Atmospheric Administration; Mexico: INEGI, Continental relief, 2016; New Zealand "
    "© 2011 Crown copyright, Land Information New Zealand and the New Zealand Government; Norway © Kartverket; United "
    "Kingdom © Environment Agency copyright and/or database right 2015; 3DEP, GMTED2010, SRTM courtesy of the US "
    "Geological Survey"
)
"""Names the sources of the heights, as data/SOURCES.md does."""

_MAGIC = b"GROUND1\n"
_TILE, _TILES_DOWN, _TILES_ACROSS = 120, 18, 36
_LOWEST_M, _NO_DATA = -450.0, 255
_FEW = 10_000  # cells; sorting more of them is faster than a set


def _path() -> Path:
    return data_folder() / "ground" / "ground.bin"


@functools.cache
def _file() -> tuple[bytes, NDArray[np.uint32]]:
    """Read the file and the offsets of its tiles."""
    try:
        data = _path().read_bytes()
    except OSError as exc:
        raise damaged(_path(), exc.strerror or str(exc)) from exc
    count = _TILES_DOWN * _TILES_ACROSS + 1
    first = len(_MAGIC) + 4 * count
    if not data.startswith(_MAGIC) or len(data) < first:
        raise damaged(_path(), "bad first bytes")
    offsets = np.frombuffer(data[len(_MAGIC) : first], dtype="<u4")
    if offsets[0] != first or offsets[-1] != len(data):
        raise damaged(_path(), "wrong length")
    return data, offsets


@functools.lru_cache(maxsize=128)
def _tile(number: int) -> NDArray[np.uint8]:
    data, offsets = _file()
    try:
        raw = zlib.decompressobj().decompress(data[offsets[number] : offsets[number + 1]], _TILE * _TILE)
        steps = np.frombuffer(raw, dtype=np.uint8).reshape(_TILE, _TILE).copy()
    except (zlib.error, ValueError) as exc:
        raise damaged(_path(), str(exc)) from exc
    steps[:, 0] = np.cumsum(steps[:, 0], dtype=np.uint8)
    return np.cumsum(steps, axis=1, dtype=np.uint8)


def cells(row: ArrayLike, column: ArrayLike) -> Floats:
    """Mean elevations of cells, 0 if unknown; row 0 is the northernmost, column 0 starts at 180 degrees west."""
    rows, columns = np.broadcast_arrays(np.asarray(row, dtype=np.int32), np.asarray(column, dtype=np.int32))
    rows = np.clip(rows, 0, _TILE * _TILES_DOWN - 1)
    columns = columns % (_TILE * _TILES_ACROSS)
    number = rows // _TILE * _TILES_ACROSS + columns // _TILE
    found = np.empty(rows.shape, dtype=np.uint8)
    numbers = set(number.ravel().tolist()) if number.size < _FEW else np.unique(number).tolist()
    if len(numbers) == 1:  # most points are looked up singly or near each other
        found[...] = _tile(*numbers)[rows % _TILE, columns % _TILE]
        return _metres(found)
    for one in sorted(numbers):
        here = number == one
        found[here] = _tile(one)[rows[here] % _TILE, columns[here] % _TILE]
    return _metres(found)


def _metres(steps: NDArray[np.uint8]) -> Floats:
    return np.where(steps == _NO_DATA, 0.0, _LOWEST_M + STEP_M * steps.astype(np.float64))


def ground_m(lat_deg: ArrayLike, lon_deg: ArrayLike) -> Floats:
    """Terrain elevation at points, interpolated between cell centres.

    Accurate to some 20 m on plains; in mountains the mean of valley and ridge, hundreds of metres from either. From
    Terrain Tiles (US Geological Survey 3DEP, SRTM, GMTED2010 and others) as gridded for pvlib-python; data/SOURCES.md.

    >>> float(ground_m(39.74, -104.99).round(-2))  # Denver, "the mile-high city"
    1600.0
    """
    down = (90.0 - np.asarray(lat_deg, dtype=np.float64)) / CELL_DEG - 0.5
    across = (np.asarray(lon_deg, dtype=np.float64) + 180.0) / CELL_DEG - 0.5
    row, column = np.floor(down).astype(np.int32), np.floor(across).astype(np.int32)
    south, east = down - row, across - column
    nw, ne, sw, se = cells(np.array([row, row, row + 1, row + 1]), np.array([column, column + 1] * 2))
    return np.asarray((1.0 - south) * ((1.0 - east) * nw + east * ne) + south * ((1.0 - east) * sw + east * se))


SEA_REACH_KM = 150.0
_REACH_CELLS = 20  # down and up; wider across, by latitude
_SEA_M = -20.0


def sea_km(lat_deg: float, lon_deg: float) -> float:
    """Distance to the nearest cell that is mostly sea.

    >>> round(sea_km(34.05, -118.24)), sea_km(39.74, -104.99)  # Los Angeles, Denver
    (23, 150.0)
    """
    narrow = max(float(np.cos(np.radians(lat_deg))), 0.15)
    half = int(np.ceil(_REACH_CELLS / narrow))
    row = int(np.floor((90.0 - lat_deg) / CELL_DEG)) + np.arange(-_REACH_CELLS, _REACH_CELLS + 1)[:, np.newaxis]
    column = int(np.floor((lon_deg + 180.0) / CELL_DEG)) + np.arange(-half, half + 1)[np.newaxis, :]
    sea = cells(row, column) < _SEA_M
    north_km = (90.0 - (row + 0.5) * CELL_DEG - lat_deg) * 111.195
    east_km = ((column + 0.5) * CELL_DEG - 180.0 - lon_deg) * 111.195 * narrow
    apart_km = np.broadcast_to(np.hypot(north_km, east_km), sea.shape)[sea]
    return min(SEA_REACH_KM, float(apart_km.min(initial=SEA_REACH_KM)))
