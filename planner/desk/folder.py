"""The trip folder of the desk: contents as read, changes on disk since, saving with undo.

Changed files are first read from a copy of the folder in the system's temporary folder, so that an invalid value never
reaches the trip folder. Files are written atomically, and only if the disk still has what was read.
"""

import os
import shutil
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

from planner.files import limits
from planner.files.reading import file_fault, whole
from planner.files.wholefile import is_part, replace_files
from planner.forecast.assemble import Inputs, read_inputs
from planner.model.errors import OutputError, PlannerError

_NOT_READ = frozenset({"out", "logs", "__pycache__"})
_MOST_FILES, _MOST_BYTES = 2_000, 200_000_000
_MOST_UNDO = 100
Files = Mapping[str, str | None]  # name to text; None for no file


class ChangedOnDiskError(PlannerError):
    """A file was changed since the desk read it; nothing was written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One change that can be undone, with the files before and after it."""

    words: str
    before: Mapping[str, bytes | None]
    after: Mapping[str, bytes | None]


@dataclass(slots=True, kw_only=True)
class TripFolder:
    """One trip folder, with undo and redo; not thread-safe."""

    path: Path
    held: dict[str, bytes] = field(default_factory=dict)
    undo: list[Step] = field(default_factory=list)
    redo: list[Step] = field(default_factory=list)
    _stamps: dict[str, tuple[int, int]] = field(default_factory=dict)
    _copy: Path | None = None

    def close(self) -> None:
        """Remove the copy."""
        if self._copy is not None:
            shutil.rmtree(self._copy.parent, ignore_errors=True)
            self._copy = None

    def exists(self) -> bool:
        """Whether the folder contains anything."""
        return self.path.is_dir() and any(not is_part(name) for name in os.listdir(self.path))

    def load(self) -> None:
        """Read the files from disk; this clears undo and redo."""
        self._stamps = self._look()
        self.held = {name: self._read(name) for name in self._stamps}
        self.undo.clear()
        self.redo.clear()
        self.close()  # the old copy
        self._put_copy(self.held)

    def changed(self) -> tuple[str, ...]:
        """Names of files that changed since they were read."""
        now = self._look()
        names = {name for name in (*now, *self._stamps) if now.get(name) != self._stamps.get(name)}
        found = [name for name in sorted(names) if self._on_disk(name) != self.held.get(name)]
        if not found:
            self._stamps = now
        return tuple(found)

    def text(self, name: str) -> str | None:
        """Text of a file as read; None if there is no such file."""
        data = self.held.get(name)
        if data is None:
            return None
        try:
            return data.decode("utf-8")
        except UnicodeDecodeError as exc:
            message = f"{name}: is not UTF-8 text; save it as UTF-8 in your editor"
            raise PlannerError(message) from exc

    def inputs(self, files: Files | None = None) -> Inputs:
        """Read the trip with changed files; these remain in the copy if they can be read."""
        files = files or {}
        self._put_copy(_encoded(files))
        try:
            found = read_inputs(self._copy_folder())
        except PlannerError:
            self.forget(files)
            raise
        return replace(found, trip=replace(found.trip, folder=self.path))

    def forget(self, files: Files) -> None:
        """Remove from the copy what `inputs` put into it."""
        self._put_copy({name: self.held.get(name) for name in files})

    def save(self, files: Files, words: str) -> None:
        """Write changed files, as one step that can be undone, unless the disk has other contents than were read."""
        after = _encoded(files)
        step = Step(words=words, before={name: self.held.get(name) for name in after}, after=after)
        self._write(after)
        self.undo.append(step)
        del self.undo[:-_MOST_UNDO]
        self.redo.clear()

    def back(self, *, again: bool = False) -> Step:
        """Undo the last step, or redo the last one undone."""
        stack, other = (self.redo, self.undo) if again else (self.undo, self.redo)
        if not stack:
            message = f"there is nothing to {'redo' if again else 'undo'}"
            raise PlannerError(message)
        step = stack[-1]
        files = step.after if again else step.before
        self._write(files)
        self._put_copy(files)
        other.append(stack.pop())
        return step

    def _write(self, files: Mapping[str, bytes | None]) -> None:
        """Write files atomically; refuse if the disk has other contents than were read."""
        other = [name for name in files if self._on_disk(name) != self.held.get(name)]
        if other:
            message = f"{', '.join(other)}: changed on disk since the desk read it; nothing was written"
            raise ChangedOnDiskError(message)
        try:
            replace_files(self.path, {name: data for name, data in files.items() if data is not None})
            for name in (name for name, data in files.items() if data is None):
                (self.path / name).unlink(missing_ok=True)
        except OSError as exc:
            message = f"{self.path}: cannot be written ({exc.strerror or exc}); nothing was changed; free disk space"
            raise OutputError(message) from exc
        self.held = {name: data for name, data in {**self.held, **files}.items() if data is not None}
        self._stamps = self._look()

    def _look(self) -> dict[str, tuple[int, int]]:
        """Size and modification time of every file that a trip may be read from."""
        found: dict[str, tuple[int, int]] = {}
        size = 0
        for folder, inner, names in os.walk(self.path):
            here = Path(folder)
            inner[:] = sorted(one for one in inner if one not in _NOT_READ and not one.startswith("."))
            for name in sorted(names):
                with suppress(OSError):
                    state = (here / name).lstat()
                    fault = file_fault(here / name, root=self.path, max_bytes=limits.PROFILES_BYTES)
                    if name.startswith(".") or fault is not None:
                        continue
                    found[(here / name).relative_to(self.path).as_posix()] = (state.st_size, state.st_mtime_ns)
                    size += state.st_size
            if len(found) > _MOST_FILES or size > _MOST_BYTES:
                message = (
                    f"{self.path}: contains more than {_MOST_FILES:,} files or {_MOST_BYTES / 1e6:.0f} MB, the maximum "
                    "for a trip: open the right folder, or move other files out of it"
                )
                raise PlannerError(message)
        return found

    def _read(self, name: str) -> bytes:
        try:
            return whole(self.path / name, max_bytes=limits.PROFILES_BYTES)
        except OSError as exc:
            message = f"{name}: cannot be opened ({exc.strerror or exc})"
            raise PlannerError(message) from exc

    def _on_disk(self, name: str) -> bytes | None:
        """Contents on disk; None if there is no such file."""
        if not os.path.lexists(self.path / name):
            return None
        try:
            return self._read(name)
        except PlannerError:
            return b"\0unreadable"

    # --- the copy ---

    def _copy_folder(self) -> Path:
        if self._copy is None:
            self._copy = Path(tempfile.mkdtemp(prefix="grademargin-desk-")) / (self.path.resolve().name or "trip")
            self._copy.mkdir()
        return self._copy

    def _put_copy(self, files: Mapping[str, bytes | None]) -> None:
        folder = self._copy_folder()
        for name, data in files.items():
            if data is None:
                (folder / name).unlink(missing_ok=True)
            else:
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                (folder / name).write_bytes(data)


def _encoded(files: Files) -> dict[str, bytes | None]:
    return {name: None if text is None else text.encode("utf-8") for name, text in files.items()}
