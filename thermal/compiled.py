"""The compiler, and where compiled code is kept, so that only the first run pays for it.

Kept code is run as it is found. So neither the working folder, a stranger's trip perhaps, nor another user's folder may
have a say in where it lies.
"""

import contextlib
import importlib
import os
import stat
import tempfile
from pathlib import Path
from typing import Any

_CONFIG = ".numba_config.yaml"


def _compiler() -> Any:
    """Import numba with no working folder to read settings from, and keep it from reading any later."""
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
    return found


numba = _compiler()
config = numba.core.config


def choose_cache() -> None:
    """Point the compiler's cache at a folder that can be written, when its own choices cannot.

    Notes
    -----
    The compiler keeps its results beside the source, else in the user's cache folder. With a read-only install and no
    writable home it would refuse to start; then a folder of this user in the system's temporary folder is used.
    """
    if os.environ.get("NUMBA_CACHE_DIR") or getattr(config, "CACHE_DIR", ""):
        return
    beside = Path(__file__).parent / "__pycache__"
    home = Path(os.environ.get("XDG_CACHE_HOME") or Path(os.path.expanduser("~")) / ".cache")
    if _writable(beside) or _writable(home):
        return
    kept = Path(tempfile.gettempdir()) / f"grademargin-{os.getuid() if hasattr(os, 'getuid') else 'user'}"
    with contextlib.suppress(OSError):  # a file of that name, say, or a link to nowhere
        kept.mkdir(mode=0o700, exist_ok=True)
    if not _own(kept):  # somebody else's folder under this name could hold their code
        kept = Path(tempfile.mkdtemp(prefix="grademargin-"))
    config.CACHE_DIR = str(kept)


def _own(folder: Path) -> bool:
    """Tell whether a folder is a real one, this user's, and closed to others."""
    try:
        state = folder.lstat()
    except OSError:
        return False
    mine = not hasattr(os, "getuid") or (state.st_uid == os.getuid() and state.st_mode & 0o077 == 0)
    return mine and stat.S_ISDIR(state.st_mode)


def _writable(folder: Path) -> bool:
    """Tell whether a file can be made in a folder, which may not exist yet."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False
