"""Compiled functions: the first run compiles them, later ones load their machine code without the compiler."""

import ctypes
import functools
import operator
import os
import struct
import sys
import threading
from array import array
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from thermal.errors import SolverError
from thermal.machine import DIGEST_BYTES, NATIVE, digest, folders, load, made_by, write

Function = Callable[..., None]
_SUFFIX = "code"
_WENT_WELL = (0, -2)  # a result, and none
_ONE_AT_A_TIME = threading.RLock()  # two threads do not compile the same function


class Inner(NamedTuple):
    """A function that only compiled code calls."""

    function: Function
    inlined: bool


class Code:
    """Compiled functions of one module, with the compiler's options."""

    def __init__(self, **options: Any) -> None:
        self.options = options
        self.inner: list[Inner] = []
        self.compiled: dict[str, Any] = {}  # what the compiler has made of them, for all entries

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
        self.bound(*args)()

    def bound(self, *args: Any) -> Callable[[], None]:
        """The same call, laid out once for many: what arrays hold may change, numbers stay."""
        kinds: list[Any] = []
        words: list[int] = []
        _lay_out(args, kinds, words)
        run: Any = self._ready.get(tuple(kinds)) or self._prepare(tuple(kinds), args)
        if not isinstance(run, NATIVE):
            return functools.partial(run, *args)
        table, unused = array("q", words), (ctypes.c_void_p * 2)()
        first = ctypes.addressof(unused)
        given = first, first + ctypes.sizeof(ctypes.c_void_p), table.buffer_info()[0]

        def call(_held: object = (args, table, unused)) -> None:
            if run(*given) not in _WENT_WELL:
                message = f"{self.function.__qualname__}: compiled code failed; please report the vehicle and trip"
                raise SolverError(message)

        return call

    def _prepare(self, kinds: tuple[Any, ...], args: tuple[Any, ...]) -> Any:
        with _ONE_AT_A_TIME:
            if kinds not in self._ready:
                self._ready[kinds] = self._found(kinds, args)
            return self._ready[kinds]

    def _found(self, kinds: tuple[Any, ...], args: tuple[Any, ...]) -> Any:
        if switched_off():
            return self.function
        asked = digest("\n".join(map(_told, kinds)).encode())
        kept = self._kept()
        if kept[:DIGEST_BYTES] == asked:
            return load(kept[DIGEST_BYTES:])
        from thermal.compiler import build

        code = self.code
        made = build(self.function, args, code.inner, code.compiled, code.options, apart=self.apart)
        if not isinstance(made, bytes):  # it cannot be kept
            return made
        self.keep(asked + made)
        return load(made)

    @property
    def file(self) -> str:
        """Name of the file with its code."""
        tag = sys.implementation.cache_tag
        return f"{self.function.__module__}.{self.function.__qualname__}.{tag}.{_SUFFIX}"

    def is_kept(self) -> bool:
        """Whether code of this version for this processor is kept; True also when the compiler is switched off."""
        return switched_off() or bool(self._kept())

    def _kept(self) -> bytes:
        """What is kept of it, if that is whole and made from what it would be made from now; else nothing."""
        for folder in folders():
            with suppress(OSError):
                data = (folder / self.file).read_bytes()
                if data[:DIGEST_BYTES] == digest(data[DIGEST_BYTES:]) and data[DIGEST_BYTES:].startswith(
                    self._origin()
                ):
                    return data[2 * DIGEST_BYTES :]
        return b""

    def keep(self, data: bytes) -> bool:
        """Keep code for later runs in the first folder that has room for it; False if none has."""
        for folder in folders():
            with suppress(OSError):
                whole = self._origin() + data
                folder.mkdir(mode=0o700, parents=True, exist_ok=True)
                write(folder / self.file, digest(whole) + whole)
                return True
        return False

    def _origin(self) -> bytes:
        """What code depends on: sources, versions, and the processor."""
        ours = (Path(__file__).with_name(f"{name}.py") for name in ("compiled", "compiler", "machine"))
        sources = (Path(self.function.__code__.co_filename), *ours)
        texts = [_text(source) for source in sources]
        return digest(b"\0".join((*texts, *made_by())))


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


@functools.cache
def _text(source: Path) -> bytes:
    """A source as it was when it was first asked for, soon after its import."""
    return source.read_bytes().replace(b"\r\n", b"\n")


def _told(kind: Any) -> str:
    return f"{kind.__qualname__}{getattr(kind, '_fields', '')}" if isinstance(kind, type) else str(kind)


def switched_off() -> bool:
    """Whether the compiler is switched off, and all runs as plain Python."""
    return os.environ.get("NUMBA_DISABLE_JIT", "0") not in {"", "0"}
