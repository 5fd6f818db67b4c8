"""The compiler and its cache, so that only the first run compiles.

Cached code is executed as found. So neither the working folder, perhaps a stranger's trip, nor another user's folder
may determine where it is.
"""

import hashlib
import importlib
import io
import os
import stat
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

_CONFIG = ".numba_config.yaml"
_BLAS = "scipy.linalg.cython_blas"


def _compiler() -> Any:
    """Import numba so that it reads no settings from the working folder, now or later."""
    here = None
    if Path(_CONFIG).exists():
        here = os.getcwd()
        os.chdir(Path(__file__).parent)
    try:
        found = importlib.import_module("numba")
    finally:
        if here is not None:
            os.chdir(here)
    found.core.config._config_fname = str(Path(__file__).parent / _CONFIG)  # read again at every compilation
    _without_scipy()
    return found


def _without_scipy() -> None:
    """Let the compiler take it that scipy's linear algebra is there: to look for it is to import it, 0.2 s."""
    # Compiled linear algebra, of which there is none here, imports it by itself.
    if _BLAS in sys.modules:
        return
    sys.modules[_BLAS] = None  # type: ignore[assignment]
    try:
        arrays: Any = importlib.import_module("numba.np.arraymath")
    finally:
        del sys.modules[_BLAS]
    if hasattr(arrays, "_HAVE_BLAS"):
        arrays._HAVE_BLAS = True


numba = _compiler()
config = numba.core.config

from numba.core.caching import IndexDataCacheFile  # noqa: E402  not before the folder was left

_DIGEST = hashlib.sha256
_DIGEST_BYTES = 32


class _Checked(IndexDataCacheFile):
    """Files of the compiler's cache with a checksum at their end; one that is damaged counts as absent.

    The compiler itself would fail on a truncated file, and execute the code in a damaged one. Its reader ignores bytes
    after the end of its data.
    """

    def save(self, key: Any, data: Any) -> None:
        with suppress(OSError):  # full or no longer writable: the next run compiles again
            super().save(key, data)  # type: ignore[no-untyped-call]

    def _load_index(self) -> Any:
        return super()._load_index() if _is_whole(self._index_path) else {}  # type: ignore[no-untyped-call]

    def _load_data(self, name: str) -> Any:
        if not _is_whole(str(Path(self._cache_path) / name)):
            raise FileNotFoundError(name)
        return super()._load_data(name)  # type: ignore[no-untyped-call]

    @contextmanager
    def _open_for_write(self, filepath: str) -> Iterator[io.BytesIO]:
        with super()._open_for_write(filepath) as file:
            held = io.BytesIO()
            yield held
            file.write(held.getvalue() + _DIGEST(held.getvalue()).digest())


def _is_whole(path: str) -> bool:
    """Whether a file ends with the checksum of its contents."""
    try:
        data = Path(path).read_bytes() if Path(path).is_file() else b""
    except OSError:
        return False
    return len(data) > _DIGEST_BYTES and _DIGEST(data[:-_DIGEST_BYTES]).digest() == data[-_DIGEST_BYTES:]


def check_cache(function: Any) -> Any:
    """Read and write the cache of a compiled function, which the compiler's decorator returned, with checksums.

    It is valid while its source is unchanged. The compiler itself compares modification times, so that installing the
    same version again would cost another compilation.
    """
    cache: Any = getattr(function, "_cache", None)  # none when the compiler is switched off
    if hasattr(cache, "_cache_file"):  # lacking where no folder can be written
        cache._cache_file.__class__ = _Checked
        with suppress(OSError):
            source = Path(function.py_func.__code__.co_filename).read_bytes().replace(b"\r\n", b"\n")
            cache._cache_file._source_stamp = _DIGEST(source).hexdigest()
    return function


def is_kept(function: Any) -> bool:
    """Whether compiled code of a function is in its cache; True also when the compiler is switched off."""
    cache: Any = getattr(function, "_cache", None)
    if cache is None:
        return True
    return hasattr(cache, "_cache_file") and bool(cache._cache_file._load_index())


def choose_cache() -> bool:
    """Point the compiler's cache at a writable folder when its own choices are not; False if none has room.

    The compiler keeps its results beside the source, else in the user's cache folder. With a read-only install and no
    writable home it would refuse to start; then a folder of this user in the system's temporary folder is used.
    """
    told = os.environ.get("NUMBA_CACHE_DIR") or getattr(config, "CACHE_DIR", "")
    if told:
        return _takes(Path(told))
    beside = Path(__file__).parent / "__pycache__"
    home = Path(os.environ.get("XDG_CACHE_HOME") or Path(os.path.expanduser("~")) / ".cache")
    if _takes(beside) or (not _takes(beside, 0) and _takes(home)):  # the compiler itself tries an empty file
        return True
    kept = Path(tempfile.gettempdir()) / f"grademargin-{os.getuid() if hasattr(os, 'getuid') else 'user'}"
    try:
        with suppress(FileExistsError):
            kept.mkdir(mode=0o700)
        if not _own(kept):  # another user's folder of this name could contain their code
            kept = Path(tempfile.mkdtemp(prefix="grademargin-"))
    except OSError:
        return False
    config.CACHE_DIR = str(kept)
    return _takes(kept)


def _own(folder: Path) -> bool:
    """Whether a folder is not a link, is this user's, and is closed to others."""
    try:
        state = folder.lstat()
    except OSError:
        return False
    mine = not hasattr(os, "getuid") or (state.st_uid == os.getuid() and state.st_mode & 0o077 == 0)
    return mine and stat.S_ISDIR(state.st_mode)


def _takes(folder: Path, size: int = 1_500_000) -> bool:
    """Whether a folder, which may not exist yet, has room for a file, by default twice the size of the kernel."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder) as file:
            file.write(b"\0" * size)
            file.flush()
            return True
    except OSError:
        return False
