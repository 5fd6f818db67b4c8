"""Compiled functions: the first run compiles them, later ones load their machine code without the compiler.

Kept code is executed as found. So neither the working folder, perhaps a stranger's trip, nor another user's folder
may determine where it is.
"""

import ctypes
import functools
import hashlib
import importlib
import importlib.util
import operator
import os
import stat
import struct
import sys
import tempfile
import threading
from array import array
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from thermal.errors import SolverError

Function = Callable[..., None]
NAME = "entry"  # of an entry's native function: it takes two places for what it does not use, and a table's address
_NATIVE = ctypes.CFUNCTYPE(ctypes.c_int32, ctypes.c_void_p, ctypes.c_void_p, ctypes.c_int64)
_WENT_WELL = (0, -2)  # a result, and none
SUFFIX = "code"
# Settings of the compiler that code does not depend on.
_NOT_OF_CODE = {"NUMBA_CACHE_DIR", "NUMBA_NUM_THREADS", "NUMBA_DISABLE_JIT", "NUMBA_DISABLE_INTEL_SVML"}
_ONE_AT_A_TIME = threading.RLock()  # two threads do not compile the same function
_BYTES = hashlib.sha256().digest_size


class Inner(NamedTuple):
    """A function that only compiled code calls."""

    function: Function
    inlined: bool


class Code:
    """Compiled functions of one module, with the compiler's options."""

    def __init__(self, **options: Any) -> None:
        self.options = options
        self.inner: list[Inner] = []

    def inlined(self, function: Any) -> Any:
        """Decorate a function whose body goes into those that call it."""
        self.inner.append(Inner(function, inlined=True))
        return function

    def called(self, function: Any) -> Any:
        """Decorate a function that the other compiled functions of its module call."""
        self.inner.append(Inner(function, inlined=False))
        return function

    def entry(self, function: Function) -> "Entry":
        """Decorate a function that is called from outside."""
        return Entry(self, function, apart=False)

    def apart(self, function: Function) -> "Entry":
        """Decorate one of whose arrays the compiler may assume that they do not overlap."""
        return Entry(self, function, apart=True)


class Entry:
    """A function of arrays, numbers and tuples of them, compiled at its first call unless its code was kept.

    It returns nothing, makes no array, and raises nothing: its code then needs none of the compiler's own functions.
    """

    def __init__(self, code: Code, function: Function, *, apart: bool) -> None:
        self.code, self.function, self.apart = code, function, apart
        self._ready: dict[tuple[Any, ...], Any] = {}

    def __call__(self, *args: Any) -> None:
        """Run it; the interpreter is free meanwhile."""
        kinds: list[Any] = []
        words: list[int] = []
        _lay_out(args, kinds, words)
        run: Any = self._ready.get(tuple(kinds)) or self._prepare(tuple(kinds), args)
        if not isinstance(run, _NATIVE):
            run(*args)
            return
        table, unused = array("q", words), (ctypes.c_void_p * 2)()
        place = ctypes.addressof(unused)
        if run(place, place + ctypes.sizeof(ctypes.c_void_p), table.buffer_info()[0]) not in _WENT_WELL:
            message = f"{self.function.__qualname__}: compiled code failed; please report the vehicle and trip"
            raise SolverError(message)

    def _prepare(self, kinds: tuple[Any, ...], args: tuple[Any, ...]) -> Any:
        with _ONE_AT_A_TIME:
            if kinds not in self._ready:
                self._ready[kinds] = self._found(kinds, args)
            return self._ready[kinds]

    def _found(self, kinds: tuple[Any, ...], args: tuple[Any, ...]) -> Any:
        if switched_off():
            return self.function
        asked = _digest("\n".join(map(_told, kinds)).encode())
        kept = self._kept()
        if kept[:_BYTES] == asked:
            return _load(kept[_BYTES:])
        from thermal.compiler import build

        made = build(self.code, self.function, args, apart=self.apart)
        if not isinstance(made, bytes):  # it cannot be kept
            return made
        self.keep(asked + made)
        return _load(made)

    @property
    def file(self) -> str:
        """Name of the file with its code."""
        tag = sys.implementation.cache_tag
        return f"{self.function.__module__}.{self.function.__qualname__}.{tag}.{SUFFIX}"

    def is_kept(self) -> bool:
        """Whether code of this version for this processor is kept; True also when the compiler is switched off."""
        return switched_off() or bool(self._kept())

    def _kept(self) -> bytes:
        """What is kept of it, if that is whole and made from what it would be made from now; else nothing."""
        for folder in _folders():
            with suppress(OSError):
                data = (folder / self.file).read_bytes()
                if data[:_BYTES] == _digest(data[_BYTES:]) and data[_BYTES:].startswith(self._origin()):
                    return data[2 * _BYTES :]
        return b""

    def keep(self, data: bytes) -> bool:
        """Keep code for later runs in the first folder that has room for it; False if none has."""
        for folder in _folders():
            with suppress(OSError):
                whole = self._origin() + data
                folder.mkdir(mode=0o700, parents=True, exist_ok=True)
                _write(folder / self.file, _digest(whole) + whole)
                return True
        return False

    def _origin(self) -> bytes:
        """What code depends on: sources, versions, and the processor."""
        sources = (self.function.__code__.co_filename, __file__, str(Path(__file__).with_name("compiler.py")))
        texts = [Path(source).read_bytes().replace(b"\r\n", b"\n") for source in sources]
        return _digest(b"\0".join((*texts, *_made_by())))


def _lay_out(value: Any, kinds: list[Any], words: list[int]) -> None:
    """Add a value's kind, and 64-bit words that stand for it: an array's address and shape, a number's bits."""
    if isinstance(value, tuple):
        kinds.append(type(value))
        for each in value:
            _lay_out(each, kinds, words)
        kinds.append(")")
    elif isinstance(value, np.ndarray):
        if not value.flags.c_contiguous:
            message = f"an array of shape {value.shape} is not contiguous; make it so before compiled code gets it"
            raise TypeError(message)
        kinds.append((value.dtype.str, value.ndim))
        words.append(value.__array_interface__["data"][0])
        words.extend(value.shape)
    elif isinstance(value, float):
        kinds.append("float")
        words.append(struct.unpack("q", struct.pack("d", value))[0])
    else:
        kinds.append("int")
        words.append(operator.index(value))


def _told(kind: Any) -> str:
    return f"{kind.__qualname__}{getattr(kind, '_fields', '')}" if isinstance(kind, type) else str(kind)


def switched_off() -> bool:
    """Whether the compiler is switched off, and all runs as plain Python."""
    return os.environ.get("NUMBA_DISABLE_JIT", "0") not in {"", "0"}


def threads() -> int:
    """Threads to share work among: as many as there are processors, or what NUMBA_NUM_THREADS says."""
    told = os.environ.get("NUMBA_NUM_THREADS", "")
    if told.isdecimal() and int(told) > 0:
        return int(told)
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


# Machine code.


class Processor(NamedTuple):
    """What loads machine code, and how it is made for this processor."""

    llvm: Any
    target: Any
    how: dict[str, Any]

    def describe(self) -> Any:
        """Make the loader's own description of the processor."""
        return self.target.create_target_machine(**self.how)


@functools.cache
def processor() -> Processor:
    """Import the loader of machine code, which is the compiler's last and smallest part."""
    llvm: Any = importlib.import_module("llvmlite.binding")
    with suppress(RuntimeError):  # refused where it is no longer needed
        llvm.initialize()
    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    target = llvm.Target.from_triple(llvm.get_process_triple())
    how = {
        "cpu": os.environ.get("NUMBA_CPU_NAME") or llvm.get_host_cpu_name(),
        "features": os.environ.get("NUMBA_CPU_FEATURES") or llvm.get_host_cpu_features().flatten(),
        "opt": 3,
        "reloc": "static" if target.name.startswith("x86") else "default",
        "codemodel": "jitdefault",
        "jit": True,
    }
    return Processor(llvm, target, how)


_LOADED: list[Any] = []  # machine code lives as long as what loaded it


def _load(code: bytes) -> Any:
    """Load an entry's object code."""
    llvm, own = processor().llvm, processor().describe()
    engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), own)
    engine.add_object_file(llvm.ObjectFileRef.from_data(code))
    engine.finalize_object()
    _LOADED.append(engine)
    return _NATIVE(engine.get_function_address(NAME))


@functools.cache
def _made_by() -> tuple[bytes, ...]:
    """Versions of what makes code, the settings that tell it how, and the processor."""
    llvmlite, numba = importlib.import_module("llvmlite"), importlib.util.find_spec("numba")
    found = Path(numba.origin).with_name("_version.py") if numba and numba.origin else Path()
    told = sorted(f"{k}={v}" for k, v in os.environ.items() if k.startswith("NUMBA_") and k not in _NOT_OF_CODE)
    how = f"{llvmlite.__version__} {np.__version__} {processor().target.triple} {processor().how} {told}"
    return found.read_bytes() if found.is_file() else b"", how.encode()


def _digest(data: bytes) -> bytes:
    return hashlib.sha256(data).digest()


def _folders() -> list[Path]:
    """Where code may be kept, the first that can be written first: beside the source, at home, among temporary files.

    NUMBA_CACHE_DIR names another place.
    """
    if told := os.environ.get("NUMBA_CACHE_DIR"):
        return [Path(told)]
    home = Path(os.environ.get("XDG_CACHE_HOME") or Path(os.path.expanduser("~")) / ".cache")
    found = [Path(__file__).parent / "__pycache__"]
    if home.is_absolute():
        found.append(home / "grademargin")
    kept = Path(tempfile.gettempdir()) / f"grademargin-{os.getuid() if hasattr(os, 'getuid') else 'user'}"
    with suppress(OSError):
        with suppress(FileExistsError):
            kept.mkdir(mode=0o700)
        if _own(kept):  # another user's folder of this name could contain their code
            found.append(kept)
    return found


def _write(path: Path, data: bytes) -> None:
    """Write a file whole or not at all."""
    with tempfile.NamedTemporaryFile(dir=path.parent, delete=False) as file:
        try:
            file.write(data)
            file.close()
            os.replace(file.name, path)
        except OSError:
            file.close()
            os.unlink(file.name)
            raise


def _own(folder: Path) -> bool:
    """Whether a folder is not a link, is this user's, and is closed to others."""
    try:
        state = folder.lstat()
    except OSError:
        return False
    mine = not hasattr(os, "getuid") or (state.st_uid == os.getuid() and state.st_mode & 0o077 == 0)
    return mine and stat.S_ISDIR(state.st_mode)
