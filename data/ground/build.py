r"""Make `ground.bin`, the coarse model of the ground, from a grid of heights in steps of five minutes of arc.

Run by hand when the grid changes, not at run time, with h5py and pvlib installed::

    python build.py ground.bin

The grid is `Altitude.h5` of pvlib-python: the world from north-west to south-east, 2,160 rows of 4,320 cells, one byte
a cell, 28 m a step from -450 m, 255 for no data. See ../SOURCES.md for where its heights come from. What is
written: the eight bytes `GROUND1\n`, 649 little-endian unsigned 32-bit offsets, then 18 rows of 36 tiles of 10 by 10
degrees, north-west first. A tile is 120 rows of 120 bytes, each byte less its western neighbour (the first of a row
less its northern one), packed with zlib.
"""

import os
import sys
import zlib
from pathlib import Path

import h5py
import numpy as np
import pvlib

MAGIC = b"GROUND1\n"
TILE = 120


def packed(tile):
    """Return one tile as differences, packed."""
    heights = tile.astype(np.int16)
    before = np.zeros_like(heights)
    before[:, 1:] = heights[:, :-1]
    before[1:, 0] = heights[:-1, 0]
    return zlib.compress((heights - before).astype(np.uint8).tobytes(), 9)


def main(target):
    """Write the file."""
    source = Path(os.path.dirname(pvlib.__file__)) / "data" / "Altitude.h5"
    with h5py.File(source) as file:
        grid = file["Altitude"][:]
    rows, columns = grid.shape
    tiles = [packed(grid[i : i + TILE, j : j + TILE]) for i in range(0, rows, TILE) for j in range(0, columns, TILE)]
    first = len(MAGIC) + 4 * (len(tiles) + 1)
    offsets = first + np.cumsum([0, *map(len, tiles)])
    Path(target).write_bytes(MAGIC + offsets.astype("<u4").tobytes() + b"".join(tiles))


if __name__ == "__main__":
    main(sys.argv[1])
