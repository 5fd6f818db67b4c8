"""Data files of the program that were cut or written over: each is refused by its name, never half read."""

import functools
import itertools

import pytest

from planner.ground import terrain, towns, usual
from planner.model import paths
from planner.model.errors import PlannerError

GROUND = "ground/ground.bin"
READERS = {
    GROUND: (terrain, lambda: terrain.ground_m(39.0, -104.0)),
    "towns/towns.bin": (towns, towns.table.__wrapped__),
    "normals/stations.bin": (usual, usual.stations.__wrapped__),
}
WRITTEN_OVER = [(GROUND, text) for text in (b"", b"GROUND1\n", b"nonsense" * 1000)]
PACKED = [name for name in READERS if name != GROUND]
CUT = [(GROUND, -1), (GROUND, "zeros"), *itertools.product(PACKED, (0, 100, 20_000))]


@pytest.mark.parametrize(("name", "harm"), [*WRITTEN_OVER, *CUT])
def test_a_damaged_file_is_told(name, harm, tmp_path, monkeypatch):
    module, read = READERS[name]
    path = tmp_path / name
    path.parent.mkdir()
    whole = (paths.data_folder() / name).read_bytes()
    if harm == "zeros":  # behind the table of tiles
        harm = whole[:2604].ljust(len(whole), b"\0")
    path.write_bytes(whole[:harm] if isinstance(harm, int) else harm)
    monkeypatch.setattr(module, "data_folder", lambda: tmp_path)
    for cached in (terrain._file, terrain._tile):
        monkeypatch.setattr(terrain, cached.__name__, functools.cache(cached.__wrapped__))
    with pytest.raises(PlannerError, match=rf"{path.name}: data file of the program, cannot be read"):
        read()
