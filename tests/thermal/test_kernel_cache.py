"""A compiled kernel whose kept files are damaged in any way is compiled anew, and the run goes on."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

SMALL = """
import numba
from thermal.compiled import check_cache

@check_cache
@numba.njit(cache=True)
def twice(x):
    return 2.0 * x

print(twice(21.0), sum(twice.stats.cache_hits.values()))
"""


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A folder with a script and what its first run kept."""
    folder = tmp_path_factory.mktemp("kept")
    (folder / "small.py").write_text(SMALL, encoding="utf-8")
    assert ran(folder) == "42.0 0"
    assert ran(folder) == "42.0 1"  # the second time from the cache, so damage below is damage to what is used
    return folder


def ran(folder: Path) -> str:
    env = os.environ | {"NUMBA_CACHE_DIR": str(folder / "cache"), "PYTHONPATH": str(Path(__file__).parents[2])}
    done = subprocess.run(
        [sys.executable, str(folder / "small.py")], capture_output=True, text=True, timeout=120, env=env
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout.strip()


def truncated(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def one_bit(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0x10
    path.write_bytes(bytes(data))


def folder_in_its_place(path: Path) -> None:
    path.unlink()
    path.mkdir()


@pytest.mark.parametrize("damage", [truncated, one_bit, folder_in_its_place])
@pytest.mark.parametrize("suffix", ["nbi", "nbc"])
def test_damaged_files_are_compiled_anew(kept, damage, suffix):
    (path,) = (kept / "cache").rglob(f"*.{suffix}")
    damage(path)
    assert ran(kept) == "42.0 0"
    if path.is_dir():
        path.rmdir()
        assert ran(kept) == "42.0 0"
    assert ran(kept) == "42.0 1"  # mended
