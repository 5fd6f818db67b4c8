"""Machine code: what loads it, where it is kept, and what it depends on.

Kept code is executed as found. So neither the working folder, perhaps a stranger's trip, nor another user's folder
may determine where it is.
"""

import ctypes
import functools
import hashlib
import importlib
import importlib.util
import os
import stat
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

NAME = "entry"  # of a native function: it takes two places for what it does not use, and the address of a table
NATIVE = ctypes.CFUNCTYPE(ctypes.c_int32, ctypes.c_void_p, ctypes.c_void_p, ctypes.c_int64)
DIGEST_BYTES = hashlib.sha256().digest_size
# Settings of the compiler that code does not depend on.
_NOT_OF_CODE = {"NUMBA_CACHE_DIR", "NUMBA_NUM_THREADS", "NUMBA_DISABLE_JIT", "NUMBA_DISABLE_INTEL_SVML"}


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


def load(code: bytes) -> Any:
    """Load an entry's object code."""
    llvm, own = processor().llvm, processor().describe()
    engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), own)
    engine.add_object_file(llvm.ObjectFileRef.from_data(code))
    engine.finalize_object()
    _LOADED.append(engine)
    return NATIVE(engine.get_function_address(NAME))


@functools.cache
def made_by() -> tuple[bytes, ...]:
    """Versions of what makes code, the settings that tell it how, and the processor."""
    llvmlite, numba = importlib.import_module("llvmlite"), importlib.util.find_spec("numba")
    found = Path(numba.origin).with_name("_version.py") if numba and numba.origin else Path()
    told = sorted(f"{k}={v}" for k, v in os.environ.items() if k.startswith("NUMBA_") and k not in _NOT_OF_CODE)
    how = f"{llvmlite.__version__} {np.__version__} {processor().target.triple} {processor().how} {told}"
    return found.read_bytes() if found.is_file() else b"", how.encode()


def digest(data: bytes) -> bytes:
    """Checksum of code, or of what it depends on."""
    return hashlib.sha256(data).digest()


def folders() -> list[Path]:
    """List where code may be kept: beside the source, at home, among temporary files; or where NUMBA_CACHE_DIR says."""
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


def write(path: Path, data: bytes) -> None:
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
