"""The trip folder as the desk sees it: what was read, what has changed on disk since, and saving with a way back.

What is to be saved is first read from a copy of the folder's files in the system's temporary folder, so that a value
that cannot be read never reaches the trip folder. Files are written whole or not at all, and only where what lies
there is still what was read.
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
Files = Mapping[str, str | None]  # name to text; None: no such file


class ChangedOnDiskError(PlannerError):
    """A file is no longer what the desk read; nothing was written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One change that can be taken back: what it was, and the files before and after it."""

    words: str
    before: Mapping[str, bytes | None]
    after: Mapping[str, bytes | None]


@dataclass(slots=True, kw_only=True)
class TripFolder:
    """One trip folder, with what can be undone and done again. Not for several threads at once."""

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
        """Whether there is a trip, or anything, in the folder."""
        return self.path.is_dir() and any(not is_part(name) for name in os.listdir(self.path))

    def load(self) -> None:
        """Take the files as they lie on disk; what could be undone before can be no more."""
        self._stamps = self._look()
        self.held = {name: self._read(name) for name in self._stamps}
        self.undo.clear()
        self.redo.clear()
        self._put_copy(dict.fromkeys(self._copied()) | dict(self.held))

    def changed(self) -> tuple[str, ...]:
        """Names of files that are no longer what was read."""
        now = self._look()
        names = {name for name in (*now, *self._stamps) if now.get(name) != self._stamps.get(name)}
        found = [name for name in sorted(names) if self._on_disk(name) != self.held.get(name)]
        if not found:
            self._stamps = now
        return tuple(found)

    def text(self, name: str) -> str | None:
        """Text of a file as it was read; None where there is none."""
        data = self.held.get(name)
        if data is None:
            return None
        try:
            return data.decode("utf-8")
        except UnicodeDecodeError as exc:
            message = f"{name}: is not UTF-8 text; save it as UTF-8 in your editor, or change it there"
            raise PlannerError(message) from exc

    def inputs(self, files: Files | None = None) -> Inputs:
        """Read the trip, with some files changed that are not saved yet; those stay in the copy if they can be read."""
        trial = {name: None if text is None else text.encode("utf-8") for name, text in (files or {}).items()}
        self._put_copy(trial)
        try:
            found = read_inputs(self._copy_folder())
        except PlannerError:
            self._put_copy({name: self.held.get(name) for name in trial})
            raise
        return replace(found, trip=replace(found.trip, folder=self.path))

    def forget(self, files: Files) -> None:
        """Take back what `inputs` has put into the copy."""
        self._put_copy({name: self.held.get(name) for name in files})

    def save(self, files: Files, words: str) -> None:
        """Write changed files, unless those on disk are not what was read; one step that can be undone."""
        after = {name: None if text is None else text.encode("utf-8") for name, text in files.items()}
        step = Step(words=words, before={name: self.held.get(name) for name in after}, after=after)
        self._write(after)
        self.undo.append(step)
        del self.undo[:-_MOST_UNDO]
        self.redo.clear()

    def back(self, *, again: bool = False) -> Step:
        """Undo the last step, or do the last one undone again."""
        stack, other = (self.redo, self.undo) if again else (self.undo, self.redo)
        if not stack:
            message = "there is nothing to do again" if again else "there is nothing to undo"
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
        for name, data in files.items():
            if data is None:
                self.held.pop(name, None)
            else:
                self.held[name] = data
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
                    f"{self.path}: holds more than {_MOST_FILES:,} files or {_MOST_BYTES / 1e6:.0f} MB; a trip folder "
                    "has fewer: open the right one, or move what does not belong to the trip"
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

    def _copied(self) -> list[str]:
        folder = self._copy_folder()
        return [path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()]

    def _put_copy(self, files: Mapping[str, bytes | None]) -> None:
        folder = self._copy_folder()
        for name, data in files.items():
            if data is None:
                (folder / name).unlink(missing_ok=True)
            else:
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                (folder / name).write_bytes(data)
