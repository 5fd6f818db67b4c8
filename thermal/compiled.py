"""Where compiled code is kept, so that only the first run pays for the compiler."""

import os
import pickle
import tempfile
from contextlib import suppress
from pathlib import Path

from numba.core import config

_ROOM_BYTES = 500_000  # twice what the kernel takes


def choose_cache() -> bool:
    """Point the compiler's cache at a folder that can be written, when its own choices cannot.

    Returns
    -------
    bool
        Whether there is one with room; without, nothing can be kept.

    Notes
    -----
    The compiler keeps its results beside the source, else in the user's cache folder. With a read-only install and no
    writable home it would refuse to start; then a folder of this user in the system's temporary folder is used.
    """
    told = os.environ.get("NUMBA_CACHE_DIR") or getattr(config, "CACHE_DIR", "")
    if told:
        return _writable(Path(told))
    beside = Path(__file__).parent / "__pycache__"
    home = Path(os.environ.get("XDG_CACHE_HOME") or Path(os.path.expanduser("~")) / ".cache")
    if _writable(beside) or (not _makeable(beside) and _writable(home)):
        return True
    kept = Path(tempfile.gettempdir()) / f"grademargin-{os.getuid() if hasattr(os, 'getuid') else 'user'}"
    try:
        kept.mkdir(mode=0o700, exist_ok=True)
        if not _own(kept):  # somebody else's folder under this name could hold their code
            kept = Path(tempfile.mkdtemp(prefix="grademargin-"))
    except OSError:
        return False
    config.CACHE_DIR = str(kept)  # type: ignore[attr-defined]
    return _writable(kept)


def drop_damaged(folder: Path, stem: str) -> None:
    """Remove kept results that the compiler could not read, as a power cut may leave them; they are then made anew.

    Parameters
    ----------
    folder : Path
        Where they lie. [-]
    stem : str
        How their names begin. [-]
    """
    for path in [*folder.glob(f"{stem}.*.nbi"), *folder.glob(f"{stem}.*.nbc")]:
        try:
            with path.open("rb") as file:
                pickle.load(file)
                if path.suffix == ".nbi":  # the version, then what there is
                    pickle.load(file)
        except OSError:
            continue
        except Exception:  # a damaged pickle may raise anything
            with suppress(OSError):
                path.unlink()


def _own(folder: Path) -> bool:
    """Tell whether a folder is a real one, this user's, and closed to others."""
    state = folder.lstat()
    mine = not hasattr(os, "getuid") or (state.st_uid == os.getuid() and state.st_mode & 0o077 == 0)
    return mine and not folder.is_symlink()


def _writable(folder: Path) -> bool:
    """Tell whether a folder, which may not exist yet, takes a file of the size of the kernel."""
    return _takes(folder, b"\0" * _ROOM_BYTES)


def _makeable(folder: Path) -> bool:
    """Tell whether a folder takes an empty file, which is all that the compiler asks before it chooses it."""
    return _takes(folder, b"")


def _takes(folder: Path, data: bytes) -> bool:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder) as file:
            file.write(data)
            file.flush()
            return True
    except OSError:
        return False
