"""A compiled kernel whose kept files are damaged in any way is compiled anew, and the run goes on."""

import os
import shutil
import subprocess
import sys
import tempfile
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


def test_the_same_source_installed_again_is_not_compiled_again(kept):
    script = kept / "small.py"
    os.utime(script, (1e9, 1e9))
    assert ran(kept) == "42.0 1"
    script.write_text(SMALL.replace("2.0 * x", "x + x"), encoding="utf-8")
    assert ran(kept) == "42.0 0"


NOWHERE = """
import os
import tempfile
from numba.core import config
from thermal.compiled import choose_cache

if os.geteuid() == 0:  # who may write anywhere
    os.setgid(65534)
    os.setuid(65534)
choose_cache()
print(config.CACHE_DIR)
"""


@pytest.mark.parametrize("kind", ["nothing", "file", "link to nowhere", "open folder", "folder of another"])
def test_somebody_elses_things_where_the_kernel_would_be_kept(tmp_path, kind):
    """Neither beside the source nor at home can be written, and in the temporary folder the name is taken."""
    shared = Path(tempfile.mkdtemp(prefix="shared-"))
    shared.chmod(0o1777)
    uid = 65534 if os.geteuid() == 0 else os.getuid()
    taken = shared / f"grademargin-{uid}"
    if kind == "file":
        taken.touch()
    elif kind == "link to nowhere":
        taken.symlink_to(tmp_path / "nowhere")
    elif kind == "open folder":
        taken.mkdir()
        taken.chmod(0o777)
        os.chown(taken, uid, -1)
    elif kind == "folder of another":
        if os.geteuid() != 0:
            pytest.skip("only root runs as another than whose the folder is")
        taken.mkdir(mode=0o700)
    env = os.environ | {"TMPDIR": str(shared), "XDG_CACHE_HOME": "/proc/none", "PYTHONPATH": str(copied(shared))}
    env.pop("NUMBA_CACHE_DIR", None)
    try:
        done = subprocess.run([sys.executable, "-c", NOWHERE], capture_output=True, text=True, timeout=60, env=env)
        assert done.returncode == 0, done.stderr[-2000:]
        kept = Path(done.stdout.strip())
        assert kept.is_dir()
        assert not kept.is_symlink()
        assert (kept == taken) == (kind == "nothing")
        assert kept.stat().st_mode & 0o077 == 0
    finally:
        shutil.rmtree(shared, ignore_errors=True)


def copied(shared: Path) -> Path:
    """A copy of the package in which nobody can write."""
    code = shared / "code"
    shutil.copytree(
        Path(__file__).parents[2] / "thermal", code / "thermal", ignore=shutil.ignore_patterns("__pycache__")
    )
    for path in (code / "thermal", code):
        path.chmod(0o555)
    return code
