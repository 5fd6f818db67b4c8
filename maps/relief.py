"""Shaded relief from a grid of heights: a small picture, clear where the ground is level, for any colour of ground."""

import struct
import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maps.errors import MapError

Floats = NDArray[np.float64]
MOST_CELLS, MOST_BYTES = 180_000, 110_000  # base64 makes four bytes of three: under 150 kB in a page
METRES_PER_DEG = 111_195.0
LEAST_SLOPE = 0.004  # heights come in steps of 28 m, over cells of some 9 km
FULL_SLOPE = 0.03  # ASSUMED: slope of a coarse cell drawn near full strength; by eye, 0.02 to 0.05
STRONGEST = 90  # ASSUMED: opacity of the darkest shadow of 255; by eye, under names and the route, 70 to 120
FADE_SHARE = 0.08  # of a side, over which the picture fades out
_SIGNATURE = b"\x89PNG\r\n\x1a\n"  # W3C, Portable Network Graphics (PNG) Specification, 5.2
_LEVELS = 16
_FARTHEST_LAT_DEG = 84.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Relief:
    """A shaded picture in the map's projection, and the box it covers; `east` may pass 180. [degree]"""

    south: float
    west: float
    north: float
    east: float
    png: bytes

    def __post_init__(self) -> None:
        if not (self.south < self.north and self.west < self.east):
            message = f"relief: box {self.south}, {self.west}, {self.north}, {self.east} must run north and east"
            raise MapError(message)
        if not self.png.startswith(_SIGNATURE) or len(self.png) > MOST_BYTES:
            message = f"relief: {len(self.png)} bytes must be a PNG of at most {MOST_BYTES}"
            raise MapError(message)


def mercator_deg(lat_deg: Floats | float) -> Floats:
    """Height of a latitude on the map, on the same scale as longitude.

    Snyder, J. P., Map Projections: A Working Manual, USGS Professional Paper 1395, 1987, eq. 7-2, p. 41.
    """
    return np.asarray(np.degrees(np.log(np.tan(np.pi / 4 + np.radians(lat_deg) / 2))))


def grid(box: tuple[float, float, float, float], cell_deg: float) -> tuple[Floats, Floats]:
    """Centres of a picture's cells: latitudes from north to south, longitudes from west to east. [degree].

    The rows are evenly spaced on the map. Cells are wider than `cell_deg` if the `box`, south, west, north, east, would
    hold too many.
    """
    south, west, north, east = box
    top, bottom = float(mercator_deg(north)), float(mercator_deg(south))
    cell = max(cell_deg, np.sqrt((top - bottom) * (east - west) / MOST_CELLS))
    down, across = max(2, int((top - bottom) / cell)), max(2, int((east - west) / cell))
    heights = top - (np.arange(down) + 0.5) * (top - bottom) / down
    lat = np.degrees(2 * np.arctan(np.exp(np.radians(heights))) - np.pi / 2)
    return lat, west + (np.arange(across) + 0.5) * (east - west) / across


def shaded(heights_m: Floats, lat_deg: Floats, lon_deg: Floats, box: tuple[float, float, float, float]) -> Relief:
    """Shade a grid of heights, shape (n_lat, n_lon), as if lit from the north-west, as maps usually are.

    Slopes that fall to the south-east are dark, those that fall to the north-west light. The centres of the cells are
    from `grid`; `box` is south, west, north, east. [degree] Raises MapError if it does not run north and east.
    """
    south, west, north, east = box
    down_m = np.gradient(lat_deg)[:, np.newaxis] * METRES_PER_DEG
    across_m = np.gradient(lon_deg) * METRES_PER_DEG * np.cos(np.radians(lat_deg))[:, np.newaxis]
    rise_north, rise_east = np.gradient(heights_m, axis=0) / down_m, np.gradient(heights_m, axis=1) / across_m
    slope = (rise_east - rise_north) / np.sqrt(2.0)
    towards_light = np.sign(slope) * np.maximum(np.abs(slope) - LEAST_SLOPE, 0.0)
    faded = np.outer(_fade(len(lat_deg)), _fade(len(lon_deg)))
    middle = (_LEVELS - 1) / 2
    levels = np.rint(middle + 0.5 + (middle - 0.5) * np.tanh(towards_light / FULL_SLOPE) * faded).astype(np.uint8)
    return Relief(south=south, west=west, north=north, east=east, png=_png(levels))


def _fade(count: int) -> Floats:
    """Weight along one side: 1 but towards both ends."""
    share = (np.arange(count) + 0.5) / count
    return np.clip(np.minimum(share, 1.0 - share) / FADE_SHARE, 0.0, 1.0)


def _png(levels: NDArray[np.uint8]) -> bytes:
    """Write levels 1 (darkest) to 15 (lightest), 8 clear, as a picture of four bits a cell.

    folium's writer has four bytes a cell: half as large again on real ground, and beyond `MOST_BYTES` on the roughest.
    """
    clear = _LEVELS // 2
    strength = [round(STRONGEST * abs(level - clear) / (clear - 1)) if level else 0 for level in range(_LEVELS)]
    colours = b"".join(b"\0\0\0" if level < clear else b"\xff\xff\xff" for level in range(_LEVELS))
    even = np.pad(levels, ((0, 0), (0, levels.shape[1] % 2)), constant_values=clear)
    rows = (even[:, 0::2] << 4) | even[:, 1::2]
    raw = b"".join(b"\0" + row.tobytes() for row in rows)
    head = struct.pack(">IIBBBBB", levels.shape[1], levels.shape[0], 4, 3, 0, 0, 0)
    parts = ((b"IHDR", head), (b"PLTE", colours), (b"tRNS", bytes(strength)), (b"IDAT", zlib.compress(raw, 9)))
    return _SIGNATURE + b"".join(_chunk(kind, data) for kind, data in (*parts, (b"IEND", b"")))


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def box_about(lat_deg: Floats, lon_deg: Floats) -> tuple[float, float, float, float]:
    """South, west, north and east of a route, with room for what a map shows beside it. [degree].

    The longitude may run on beyond 180.
    """
    south, north, west, east = lat_deg.min(), lat_deg.max(), lon_deg.min(), lon_deg.max()
    room = max(2.0, 0.15 * max(float(north - south), float(east - west)))
    lowest, highest = (
        float(np.clip(one, -_FARTHEST_LAT_DEG, _FARTHEST_LAT_DEG)) for one in (south - room, north + room)
    )
    return lowest, max(float(west) - room, float(east) - 360.0), highest, min(float(east) + room, float(west) + 360.0)
