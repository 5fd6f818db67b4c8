"""Compiled code that is kept: later runs use it without the compiler; damaged or made for another, it is made anew."""

import ast
import os
import shutil
import struct
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pytest

from thermal import chances, error_kernel, gears, kernel
from thermal.compiled import Entry

SMALL = """
import sys
import numpy as np
from thermal.compiled import Code

_code = Code()

@_code.inlined
def _one(x):
    return 2.0 * x

@_code.entry
def double(values, out):
    for i in range(len(values)):
        out[i] = _one(values[i])

out = np.empty(1)
double(np.array([21.0]), out)
print(out[0], "numba" in sys.modules, double.is_kept())
"""
COMPILED, LOADED = "42.0 True True", "42.0 False True"


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A folder with a script and what its first run kept."""
    folder = tmp_path_factory.mktemp("kept")
    (folder / "small.py").write_text(SMALL, encoding="utf-8")
    assert ran(folder) == COMPILED
    assert ran(folder) == LOADED  # so damage below is damage to what is used
    return folder


def ran(folder: Path, **environment: str) -> str:
    env = os.environ | {"NUMBA_CACHE_DIR": str(folder / "cache"), "PYTHONPATH": str(Path(__file__).parents[2])}
    done = subprocess.run(
        [sys.executable, str(folder / "small.py")],
        capture_output=True,
        text=True,
        timeout=120,
        env=env | environment,
        cwd=folder,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout.strip()


def truncated(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def one_bit(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0x10
    path.write_bytes(bytes(data))


def empty(path: Path) -> None:
    path.write_bytes(b"")


def folder_in_its_place(path: Path) -> None:
    path.unlink()
    path.mkdir()


@pytest.mark.parametrize("damage", [truncated, one_bit, empty, folder_in_its_place])
def test_damaged_files_are_compiled_anew(kept, damage):
    (path,) = (kept / "cache").glob("*.code")
    damage(path)
    if path.is_dir():
        assert ran(kept) == "42.0 True False"
        path.rmdir()
    assert ran(kept) == COMPILED
    assert ran(kept) == LOADED  # mended


def test_the_same_source_installed_again_is_not_compiled_again(kept):
    script = kept / "small.py"
    os.utime(script, (1e9, 1e9))
    assert ran(kept) == LOADED
    script.write_text(SMALL.replace("2.0 * x", "x + x"), encoding="utf-8")
    assert ran(kept) == COMPILED
    assert ran(kept) == LOADED


def test_code_for_other_arguments_is_not_used(kept):
    """An address more or less in the table would be read as something else."""
    script = kept / "small.py"
    script.write_text(SMALL.replace("print", "double(np.array([21]), out); print"), encoding="utf-8")
    assert ran(kept) == COMPILED  # for numbers, then for whole numbers, which take the place
    script.write_text(SMALL, encoding="utf-8")
    assert ran(kept) == COMPILED


def test_code_for_another_processor_or_setting_is_not_used(kept):
    assert ran(kept) in {COMPILED, LOADED}
    assert ran(kept, NUMBA_CPU_NAME="generic", NUMBA_CPU_FEATURES="") == COMPILED
    assert ran(kept) == COMPILED


def test_without_the_compiler_all_is_plain_python(kept):
    assert ran(kept, NUMBA_DISABLE_JIT="1") == LOADED


def test_code_that_cannot_be_kept_is_compiled_each_time(kept):
    assert ran(kept, NUMBA_CACHE_DIR="/dev/null/x") == "42.0 True False"


def test_an_array_with_gaps_is_refused():
    with pytest.raises(TypeError, match="not contiguous"):
        gears.shortfall(np.zeros((4, 4))[:, 1])


def all_entries() -> list[Entry]:
    from planner.analysis import alarm_marks

    modules = (kernel, gears, error_kernel, chances, alarm_marks)
    return [found for module in modules for found in vars(module).values() if isinstance(found, Entry)]


def test_compiled_code_raises_nothing_and_makes_no_array():
    """What it raised would be lost, and what it made nobody would free."""
    for entry in all_entries():
        functions = [entry.function, *(inner.function for inner in entry.code.inner)]
        for function in functions:
            tree = ast.parse(Path(function.__code__.co_filename).read_text(encoding="utf-8"))
            (body,) = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef) and n.name == function.__name__]
            kinds = {type(node) for node in ast.walk(body)}
            assert not kinds & {ast.Raise, ast.Assert, ast.List, ast.ListComp, ast.Dict, ast.Set}, function
            called = {ast.unparse(n.func) for n in ast.walk(body) if isinstance(n, ast.Call)}
            assert not [name for name in called if name.startswith("np.") and name not in NUMBERS], function
        assert "boundscheck" not in entry.code.options


NUMBERS = {"np.uint64", "np.int64", "np.float64", "np.floor"}
ELF_UNDEFINED, MATHEMATICS = 0, {"exp", "log", "pow", "sin", "cos", "sincos", "sqrt", "memset", "memcpy", "memmove"}


def undefined(code: bytes) -> set[str]:
    """Names that a 64-bit ELF object needs from elsewhere. Layout: System V ABI, figures 4-8 (section) and 4-16."""
    (start,) = struct.unpack_from("<Q", code, 0x28)
    size, count = struct.unpack_from("<HH", code, 0x3A)
    sections = [struct.unpack_from("<IIQQQQIIQQ", code, start + i * size) for i in range(count)]
    (symbols,) = [section for section in sections if section[1] == 2]
    names = sections[symbols[6]][4]
    found = set()
    for at in range(symbols[4], symbols[4] + symbols[5], 24):
        name, _, _, section = struct.unpack_from("<IBBH", code, at)
        if section == ELF_UNDEFINED and name:
            found.add(code[names + name : code.index(b"\0", names + name)].decode())
    return found


@pytest.mark.skipif(sys.platform != "linux", reason="reads the object format of Linux")
def test_kept_code_needs_the_mathematics_of_the_c_library_alone(estate):
    """Nothing of the compiler, so that it need not be there; nothing of Python, so that threads run side by side."""
    from thermal.drive import steady_drive
    from thermal.simulate import nominal, simulate

    drive = steady_drive(minutes=2.0, speed_m_per_s=25.0, grade=0.0, air_k=300.0)
    simulate(drive, estate)
    simulate(drive, estate, factors=nominal(8))
    seen = {}
    for entry in all_entries():
        if entry.is_kept():
            code = entry._kept()
            seen[entry.function.__name__] = undefined(code[code.index(b"\x7fELF") :])
    assert {"_march", "_march_lanes", "choose"} <= set(seen)
    assert set().union(*seen.values()) <= MATHEMATICS, seen
    assert "pow" in seen["choose"]  # else nothing was read


NOWHERE = """
import os
import tempfile
from thermal.compiled import Code
from thermal.machine import made_by

made_by()  # loads what nobody may read
if os.geteuid() == 0:  # who may write anywhere
    os.setgid(65534)
    os.setuid(65534)

def nothing():
    pass

entry = Code().entry(nothing)
entry.function.__code__ = nothing.__code__.replace(co_filename=__import__("thermal").__file__)
print(entry.keep(b"code"), entry.is_kept())
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
        done = subprocess.run(
            [sys.executable, "-c", NOWHERE], capture_output=True, text=True, timeout=60, env=env, check=False
        )
        assert done.returncode == 0, done.stderr[-2000:]
        free = kind == "nothing"
        assert done.stdout.split() == [str(free)] * 2
        assert not (tmp_path / "nowhere").exists()
        if free:
            assert taken.stat().st_mode & 0o077 == 0
            assert [path.stat().st_mode & 0o077 for path in taken.iterdir()] == [0]
        elif taken.is_dir():
            assert list(taken.iterdir()) == []
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
