"""Atomic file writing: after any interruption each file is complete, old or new.

A file is first written as `.grademargin-<12 hex digits>.part` in the same folder, synced to
disk, and then renamed. Files of one set are all written before the first rename;
Ctrl-C and SIGTERM are deferred until the renames are done. One run at a time writes into a folder: it holds the lock
`.grademargin.lock` there, and removes part files left by killed runs.
"""

import errno
import os
import re
import shutil
import signal
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from filelock import BaseFileLock

_PART = re.compile(r"\.grademargin-[0-9a-f]{12}\.part")
_LOCK = ".grademargin.lock"
_LOCK_WAIT_S = 10.0
_STALE_S = 3600.0  # where folders cannot be locked
_TRIAL_BYTES = 4096


def is_part(name: str) -> bool:
    """Whether a file name is that of a part file.

    >>> is_part(".grademargin-0123456789ab.part"), is_part("trip.html")
    (True, False)
    """
    return name == _LOCK or _PART.fullmatch(name) is not None


def replace_files(folder: Path, files: Mapping[str, str | bytes]) -> None:
    """Write a set of files, replacing those of the same names."""
    folder.mkdir(parents=True, exist_ok=True)
    with _alone(folder):
        parts: dict[str, Path] = {name: folder / _part_name() for name in files}
        try:
            _refuse_folders(folder, files)
            for name, part in parts.items():
                _write(part, files[name])
            with _undisturbed():
                for name, part in parts.items():
                    os.replace(part, folder / name)
            _settle(folder)
        finally:
            for part in parts.values():
                part.unlink(missing_ok=True)


def write_new(path: Path, data: str | bytes, *, check: Callable[[Path], object] = lambda _: None) -> None:
    """Write a file that must not exist yet."""
    with _alone(path.parent):
        part = path.parent / _part_name()
        try:
            _write(part, data)
            check(part)
            _name_new(part, path)
            _settle(path.parent)
        finally:
            part.unlink(missing_ok=True)


@contextmanager
def new_folder_at(folder: Path) -> Iterator[Path]:
    """Fill a new folder atomically: the temporary folder yielded is renamed at the end, or removed."""
    inside = folder.is_dir()  # it may be the current directory, so it is filled, not replaced
    home = folder if inside else folder.parent
    home.mkdir(parents=True, exist_ok=True)
    with _alone(home):
        stage = home / _part_name()
        try:
            stage.mkdir()
            yield stage
            with _undisturbed():
                if not inside:
                    stage.rename(folder)
                for path in sorted(stage.iterdir()) if inside else ():
                    path.rename(folder / path.name)
        finally:
            shutil.rmtree(stage, ignore_errors=True)


def try_out(folder: Path, names: Iterable[str]) -> None:
    """Check before long work that files can be written; leaves nothing behind."""
    there = _nearest_there(folder.absolute())
    if not there.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(there))
    _refuse_folders(folder, names)
    part = there / _part_name()
    try:
        _write(part, b"\0" * _TRIAL_BYTES)
    finally:
        part.unlink(missing_ok=True)


def _nearest_there(folder: Path) -> Path:
    """The folder or its nearest existing parent; raises if it cannot be accessed."""
    while folder != folder.parent:
        try:
            folder.lstat()
        except (FileNotFoundError, NotADirectoryError):
            folder = folder.parent
        else:
            break
    return folder


def _part_name() -> str:
    return f".grademargin-{os.urandom(6).hex()}.part"


def _refuse_folders(folder: Path, names: Iterable[str]) -> None:
    """Check for folders that a rename cannot replace, before any file is replaced."""
    for name in names:
        if (folder / name).is_dir() and not (folder / name).is_symlink():
            raise IsADirectoryError(errno.EISDIR, f"{os.strerror(errno.EISDIR)}: {name}", str(folder / name))


def _write(part: Path, data: str | bytes) -> None:
    made = data.encode("utf-8") if isinstance(data, str) else data
    with part.open("xb") as file:
        file.write(made)
        file.flush()
        os.fsync(file.fileno())


def _name_new(part: Path, path: Path) -> None:
    """Rename a file unless the name is taken."""
    try:
        os.link(part, path)
    except FileExistsError:
        raise
    except OSError as exc:  # a file system without hard links
        if os.path.lexists(path):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path)) from exc
        os.rename(part, path)


def _settle(folder: Path) -> None:
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Lock a folder while writing into it, and remove part files of killed runs."""
    from filelock import FileLock  # slow to import

    lock = FileLock(folder / _LOCK)
    try:
        _clear(folder, alone=folder.is_dir() and _locked(lock))  # a lock would make the folder
        yield
    finally:
        with _undisturbed(), suppress(OSError):
            if lock.is_locked:
                with suppress(OSError):  # while still held: a waiting run then creates a new one
                    (folder / _LOCK).unlink()
                lock.release()


def _locked(lock: "BaseFileLock") -> bool:
    """Wait for a lock; False if unsupported or timed out."""
    try:
        lock.acquire(timeout=_LOCK_WAIT_S, poll_interval=0.02)
    except (OSError, NotImplementedError):
        return False
    return True


def _clear(folder: Path, *, alone: bool) -> None:
    """Remove part files of killed runs: all if the lock is held, else only old ones."""
    with suppress(OSError):
        for path in [folder / name for name in os.listdir(folder) if is_part(name) and name != _LOCK]:
            if not alone and time.time() - path.lstat().st_mtime < _STALE_S:
                continue
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink(missing_ok=True)


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Defer Ctrl-C and SIGTERM until the block is done."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    kinds = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {kind: signal.signal(kind, lambda number, _: came.append(number)) for kind in kinds}
    try:
        yield
    finally:
        for kind, handler in before.items():
            signal.signal(kind, signal.SIG_DFL if handler is None else handler)
    for number in came:
        signal.raise_signal(number)
