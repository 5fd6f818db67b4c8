"""Decoding of the shipped tables; damaged data raises an error."""

import json
import zlib
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planner.model.errors import PlannerError

_ADVICE = "reinstall the program"


class Unpacker:
    """Sequential reader of a shipped table: one line of JSON, then rows of numbers."""

    def __init__(self, path: Path) -> None:
        self._path, self._at = path, 0
        try:
            self._data = zlib.decompress(path.read_bytes())
        except (OSError, zlib.error) as exc:
            raise damaged(path, str(exc)) from exc

    def head(self) -> dict[str, Any]:
        """Return the first line."""
        end = self._data.find(b"\n") + 1
        try:
            found = json.loads(self._data[:end])
        except ValueError as exc:
            raise damaged(self._path, "bad first line") from exc
        if not isinstance(found, dict):
            raise damaged(self._path, "bad first line")
        self._at = end
        return found

    def numbers(self, kind: str, count: int) -> NDArray[Any]:
        """Return the next row of numbers of a numpy kind."""
        size = np.dtype(kind).itemsize * count
        part = self._data[self._at : self._at + size]
        if len(part) != size:
            raise damaged(self._path, "truncated")
        self._at += size
        return np.frombuffer(part, dtype=kind)

    def summed(self, count: int) -> NDArray[np.int64]:
        """Return a row of integers stored as differences, four bytes each, lowest bytes first."""
        columns = self.numbers("u1", 4 * count).reshape(4, count)
        steps = np.ascontiguousarray(columns.T).view("<i4").ravel()
        return np.cumsum(steps, dtype=np.int64)

    def lines(self, count: int) -> "Lines":
        """Return the rest as lines of text."""
        data = self._data[self._at :]
        ends = np.append(np.flatnonzero(np.frombuffer(data, dtype="u1") == ord("\n")), len(data))
        if len(ends) != count:
            raise damaged(self._path, f"{len(ends)} names for {count}")
        return Lines(data, ends.astype(np.uint32))


class Lines:
    """Lines of text in one piece, each decoded when it is asked for."""

    def __init__(self, data: bytes, ends: NDArray[np.uint32]) -> None:
        self._data, self._ends = data, ends

    def __len__(self) -> int:
        return len(self._ends)

    def __getitem__(self, number: int) -> str:
        begin = int(self._ends[number - 1]) + 1 if number else 0
        return self._data[begin : int(self._ends[number])].decode("utf-8", errors="replace")

    def text(self) -> str:
        """All lines with line ends between."""
        return self._data.decode("utf-8", errors="replace")


def damaged(path: Path, what: str) -> PlannerError:
    """Error for an unusable shipped file."""
    message = f"{path.name}: data file of the program, cannot be read ({what}); {_ADVICE}"
    return PlannerError(message)
