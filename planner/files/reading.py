"""Reading what others wrote: files that may be opened at all, their text, and what is wrong with it in sentences."""

import codecs
import difflib
import os
import re
import stat
from collections.abc import Iterable
from pathlib import Path, PureWindowsPath
from typing import BinaryIO

from planner.files import limits
from planner.model.errors import TripError
from thermal.errors import ParameterError, shown

_UTF_16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f]")


class TextError(ParameterError):
    """What was written cannot be read.

    Attributes
    ----------
    row : int
        Line in which that shows, 0 where it is not known.
    """

    def __init__(self, message: str, row: int = 0) -> None:
        self.row = row
        super().__init__(message)


def nearest(text: str, options: Iterable[str]) -> str:
    """Return a question naming the most similar option, or the list of what is allowed.

    Examples
    --------
    >>> nearest("elevaton", ["place", "elevation"])
    "did you mean 'elevation'?"
    >>> nearest("xyz", ["on", "off"])
    'allowed: on, off'
    """
    names = list(options)
    compared = names if len(names) <= limits.COMPARED and len(text) <= limits.LONGEST_COMPARED else []
    close = difflib.get_close_matches(text.casefold(), compared, n=1, cutoff=0.6)
    if close:
        return f"did you mean {shown(close[0])}?"
    more = ", ..." if len(names) > 12 else ""
    return f"allowed: {', '.join(shown(name)[1:-1] for name in names[:12])}{more}"


def _printable(text: str) -> str:
    """Write characters that a terminal would not show, or obey, as their codes."""
    if text.isprintable():
        return text
    return "".join(char if char.isprintable() else char.encode("unicode_escape").decode() for char in text)


class Problems:
    """Collects what is wrong with a folder, to be raised all at once."""

    def __init__(self) -> None:
        self._found: list[tuple[str, int, str]] = []

    def __len__(self) -> int:
        return len(self._found)

    @property
    def many(self) -> bool:
        """Whether there are more than will be shown; costly suggestions can then be left out."""
        return len(self._found) > limits.SENTENCES

    def nearest(self, text: str, options: Iterable[str]) -> str:
        """Return what `nearest` says, while there are few enough problems for it to be shown."""
        return "check the spelling" if self.many else nearest(text, options)

    def add(self, file: str, text: str, *, row: int = 0, column: str = "", key: str = "") -> None:
        """Note one problem."""
        where = file + (f" row {row}" if row else "")
        where += (f", column '{column}'" if column else "") + (f" key '{key}'" if key else "")
        self._found.append((file, row, f"{where}: {text}"))
        if len(self._found) > limits.PROBLEMS:
            raise TripError(self.sentences())

    def sentences(self) -> list[str]:
        """Return the sentences sorted by file and row, the first forty of them and a count of the rest."""
        ordered = [_printable(text[: limits.SENTENCE]) for _, _, text in sorted(self._found, key=lambda item: item[:2])]
        rest = len(ordered) - limits.SENTENCES
        return ordered[: limits.SENTENCES] + ([f"... and {rest} more"] if rest > 0 else [])


# --- files ---


def whole(path: Path, *, max_bytes: int) -> bytes:
    """Read all of a file; `OSError` tells why not."""
    with opened(path, max_bytes=max_bytes) as file:
        data = file.read(max_bytes + 1)
    if len(data) > max_bytes:
        raise OSError(None, f"larger than {max_bytes / 1e6:.0f} MB")
    return data


def opened(path: Path, *, max_bytes: int) -> BinaryIO:
    """Open a file; nothing that is none, or has become something else since it was looked at, makes it wait."""
    file = open(path, "rb", opener=_at_once)
    state = os.fstat(file.fileno())
    if stat.S_ISREG(state.st_mode) and state.st_size <= max_bytes:
        return file
    file.close()
    regular = stat.S_ISREG(state.st_mode)
    raise OSError(None, f"larger than {max_bytes / 1e6:.0f} MB" if regular else "not a plain file")


def _at_once(path: str, flags: int) -> int:
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def text_of(data: bytes) -> str:
    """Text of bytes in UTF-8, or in UTF-16 that says so, as spreadsheet programs write."""
    try:
        text = data.decode("utf-16" if data[:2] in _UTF_16 else "utf-8-sig")
    except UnicodeDecodeError as exc:
        message = "has bytes that are not UTF-8 text; save the file again as 'CSV UTF-8' or UTF-8"
        raise TextError(message, data.count(b"\n", 0, exc.start) + 1) from exc
    if 4 * text.count("\0") > len(text):
        message = "is not UTF-8 text; save the file again as 'CSV UTF-8' or UTF-8"
        raise TextError(message)
    control = CONTROL.search(text)
    if control is not None:
        raise TextError(control_fault(control), text.count("\n", 0, control.start()) + 1)
    return text


def control_fault(control: re.Match[str]) -> str:
    """Say that a character must go."""
    return f"has the unprintable character U+{ord(control[0]):04X}; delete it"


def path_fault(name: str, *, example: str) -> str | None:
    """Say why a path in a file cannot be that of another file of the folder, on whatever system it was written.

    Examples
    --------
    >>> path_fault("../a.csv", example="laps/a.csv")
    'the path must lead to a file inside the trip folder, e.g. laps/a.csv'
    """
    path = PureWindowsPath(name)
    if "\\" in name:
        return f"write the path with /, e.g. {example}"
    if path.drive or path.root or ".." in path.parts:
        return f"the path must lead to a file inside the trip folder, e.g. {example}"
    return None


def file_fault(path: Path, *, root: Path, max_bytes: int) -> str | None:
    """Say why a file must not or cannot be read."""
    try:
        real = path.resolve()
        if not real.is_relative_to(root.resolve()):
            return "lies outside the trip folder; put a copy inside and name that"
        if not real.exists():
            return "is missing"
        if not real.is_file():
            return "is not a file"
        size = real.stat().st_size
    except (OSError, RuntimeError, ValueError) as exc:
        return f"cannot be opened ({getattr(exc, 'strerror', None) or 'a link that points to itself'})"
    if size > max_bytes:
        return f"has {size / 1e6:.1f} MB; the most is {max_bytes / 1e6:.0f} MB"
    return None


def read_bytes(path: Path, *, file: str, max_bytes: int, problems: Problems) -> bytes | None:
    """Read a file that `file_fault` has let pass."""
    try:
        return whole(path, max_bytes=max_bytes)
    except OSError as exc:
        problems.add(file, f"cannot be opened ({exc.strerror})")
        return None


def read_text(path: Path, *, file: str, max_bytes: int = limits.TABLE_BYTES, problems: Problems) -> str | None:
    """Read a text file that `file_fault` has let pass."""
    data = read_bytes(path, file=file, max_bytes=max_bytes, problems=problems)
    try:
        return None if data is None else text_of(data)
    except TextError as exc:
        problems.add(file, str(exc), row=exc.row)
        return None


def open_text(
    folder: Path, file: str, *, max_bytes: int = limits.TABLE_BYTES, problems: Problems, missing: str = "is missing"
) -> str | None:
    """Read a text file of a folder, whatever lies there under its name."""
    fault = file_fault(folder / file, root=folder, max_bytes=max_bytes)
    if fault is None:
        return read_text(folder / file, file=file, max_bytes=max_bytes, problems=problems)
    problems.add(file, missing if fault == "is missing" else fault)
    return None
