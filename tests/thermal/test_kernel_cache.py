"""A compiled kernel whose kept files are damaged in any way is compiled anew, and the run goes on."""

import os
import shutil
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
    code = Path.cwd() if (Path.cwd() / "thermal").is_dir() else Path(__file__).parents[2]
    env = os.environ | {"NUMBA_CACHE_DIR": str(folder / "cache"), "PYTHONPATH": str(code)}
    done = subprocess.run(
        [sys.executable, str(folder / "small.py")], capture_output=True, text=True, timeout=120, env=env
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout.strip()


def emptied(path: Path) -> None:
    path.write_bytes(b"")


def truncated(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def garbage(path: Path) -> None:
    path.write_bytes(os.urandom(path.stat().st_size))


def one_bit(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0x10
    path.write_bytes(bytes(data))


def folder_in_its_place(path: Path) -> None:
    path.unlink()
    path.mkdir()


def absent(path: Path) -> None:
    path.unlink()


@pytest.mark.parametrize("damage", [emptied, truncated, garbage, one_bit, folder_in_its_place, absent])
@pytest.mark.parametrize("suffix", ["nbi", "nbc"])
def test_damaged_files_are_compiled_anew(kept, tmp_path, damage, suffix):
    folder = tmp_path / "copy"
    shutil.copytree(kept, folder, copy_function=shutil.copy2)
    for path in (folder / "cache").rglob(f"*.{suffix}"):
        damage(path)
    assert ran(folder) == "42.0 0"
    if damage is not folder_in_its_place:
        assert ran(folder) == "42.0 1"  # mended
