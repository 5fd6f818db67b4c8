"""Safe file opening, text decoding and the collection of problems."""

import codecs
import difflib
import os
import re
import stat
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path, PureWindowsPath
from typing import BinaryIO, TypeVar

from planner.files import limits
from planner.model.errors import PlannerError, Problem, TripError
from thermal.errors import ParameterError, shown

_Rows = TypeVar("_Rows")
_UTF_16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
ZIP = b"PK\x03\x04"  # begin of a zip archive, also of a spreadsheet (.ZIP File Format Specification, 4.3.7)
CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f]")
_CURLY_CELL = '(?P<before>^|{})[ \\t]*[“„”](?P<said>[^“”"\n]*)[”“][ \\t]*(?={}|$)'
WEB_PAGE = "is a web page; download the file itself, perhaps after signing in"


def is_web_page(text: str) -> bool:
    """Whether a text is HTML, as a download that needs signing in gives."""
    return text[:1000].lstrip("\ufeff \t\r\n").casefold().startswith(("<!doctype html", "<html"))


def straight(text: str, delimiter: str) -> str:
    """Replace curly quotation marks around a whole cell by straight ones."""
    if "“" not in text and "”" not in text:
        return text
    mark = re.escape(delimiter)
    cell = re.compile(_CURLY_CELL.format(mark, mark), re.MULTILINE)
    return cell.sub(lambda match: f'{match["before"]}"{match["said"]}"', text)


class TextError(ParameterError):
    """A text cannot be decoded or parsed; `row` is the line of the fault, 0 if unknown."""

    def __init__(self, message: str, row: int = 0) -> None:
        self.row = row
        super().__init__(message)


def refused(file: object, text: str) -> PlannerError:
    """Make the error of a file that cannot be used."""
    return PlannerError(f"{file}: {text}")


def nearest(text: str, options: Iterable[str]) -> str:
    """Suggest the most similar option, or list the allowed ones.

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
    if text.isprintable():
        return text
    return "".join(char if char.isprintable() else char.encode("unicode_escape").decode() for char in text)


class Problems:
    """Collects the problems of a folder, to be raised together."""

    def __init__(self) -> None:
        self._found: list[Problem] = []
        self._cause: Problem | None = None

    def __len__(self) -> int:
        return len(self._found)

    @property
    def many(self) -> bool:
        """Whether there are more problems than will be shown; suggestions are then skipped."""
        return len(self._found) > limits.SENTENCES

    def nearest(self, text: str, options: Iterable[str]) -> str:
        """Return `nearest`, unless there are too many problems to show."""
        return "check the spelling" if self.many else nearest(text, options)

    def add(
        self, file: str, text: str, *, row: int = 0, column: str = "", key: str = "", code: str = "invalid-value"
    ) -> None:
        """Add one problem."""
        self._found.append(Problem(code=code, text=text, file=file, row=row, column=column, key=key))
        if len(self._found) > limits.PROBLEMS:
            raise TripError(self.found())

    def cause(self, file: str, text: str, *, row: int = 0, column: str = "", code: str) -> None:
        """Add a problem that explains the others; they are then only counted."""
        self.add(file, text, row=row, column=column, code=code)
        self._cause = self._cause or self._found[-1]

    def found(self) -> list[Problem]:
        """Return the problems sorted by file and row: the cause or the first forty, and a count of the others."""
        if self._cause is not None:
            rest = len(self._found) - 1
            more = [Problem(code="more", text=f"... and {rest} more, probably for this reason")] if rest else []
            return [_clean(self._cause), *more]
        ordered = [_clean(problem) for problem in sorted(self._found, key=lambda one: (one.file, one.row))]
        rest = len(ordered) - limits.SENTENCES
        more = [Problem(code="more", text=f"... and {rest} more")] if rest > 0 else []
        return ordered[: limits.SENTENCES] + more

    def sentences(self) -> list[str]:
        """Return the same as sentences."""
        return [str(problem) for problem in self.found()]


def _clean(problem: Problem) -> Problem:
    """Shorten a problem's text, and escape non-printable characters."""
    file, column, key = (_printable(text) for text in (problem.file, problem.column, problem.key))
    text = _printable(problem.text[: max(limits.SENTENCE - len(problem.where), 0)])
    return replace(problem, text=text, file=file, column=column, key=key)


# --- files ---


def whole(path: Path, *, max_bytes: int) -> bytes:
    """Read a whole file; raises `OSError`."""
    with opened(path, max_bytes=max_bytes) as file:
        data = file.read(max_bytes + 1)
    if len(data) > max_bytes:
        raise OSError(None, f"larger than {max_bytes / 1e6:.0f} MB")
    return data


def opened(path: Path, *, max_bytes: int) -> BinaryIO:
    """Open a regular file without blocking, e.g. on a pipe."""
    file = open(path, "rb", opener=lambda name, flags: os.open(name, flags | getattr(os, "O_NONBLOCK", 0)))
    state = os.fstat(file.fileno())
    regular = stat.S_ISREG(state.st_mode)
    if regular and state.st_size <= max_bytes:
        return file
    file.close()
    raise OSError(None, f"larger than {max_bytes / 1e6:.0f} MB" if regular else "not a regular file")


def text_of(data: bytes) -> str:
    """Decode UTF-8, or UTF-16 with a byte order mark."""
    if data.startswith(ZIP):
        message = "is a spreadsheet or zip archive, not text; save it as 'CSV UTF-8', or as plain text"
        raise TextError(message)
    try:
        text = data.decode("utf-16" if data[:2] in _UTF_16 else "utf-8-sig")
    except UnicodeDecodeError as exc:
        message = "has bytes that are not UTF-8 text; save the file again as 'CSV UTF-8' or UTF-8"
        raise TextError(message, data.count(b"\n", 0, exc.start) + 1) from exc
    if 4 * text.count("\0") > len(text):
        message = "is not UTF-8 text; save the file again as 'CSV UTF-8' or UTF-8"
        raise TextError(message)
    if is_web_page(text):
        raise TextError(WEB_PAGE)
    control = CONTROL.search(text)
    if control is not None:
        raise TextError(control_fault(control), text.count("\n", 0, control.start()) + 1)
    return text


def control_fault(control: re.Match[str]) -> str:
    """Report a control character."""
    return f"has the unprintable character U+{ord(control[0]):04X}; delete it"


def path_fault(name: str, *, example: str) -> str | None:
    """Return why a path does not name a file inside the folder, on any platform; else None.

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
    """Return why a file must not or cannot be read; else None."""
    try:
        real = path.resolve()
        if not real.is_relative_to(root.resolve()):
            return "is outside the trip folder; copy it into the folder and name the copy"
        if not real.exists():
            return "is missing"
        if not real.is_file():
            return "is not a file"
        size = real.stat().st_size
    except (OSError, RuntimeError, ValueError) as exc:
        return f"cannot be opened ({getattr(exc, 'strerror', None) or 'a link that points to itself'})"
    if size > max_bytes:
        return f"has {size / 1e6:.1f} MB; the maximum is {max_bytes / 1e6:.0f} MB"
    return None


def read_bytes(path: Path, *, file: str, max_bytes: int, problems: Problems) -> bytes | None:
    """Read a file that passed `file_fault`."""
    try:
        return whole(path, max_bytes=max_bytes)
    except OSError as exc:
        problems.add(file, f"cannot be opened ({exc.strerror})", code="file-access")
        return None


def read_text(path: Path, *, file: str, max_bytes: int = limits.TABLE_BYTES, problems: Problems) -> str | None:
    """Read a text file that passed `file_fault`."""
    data = read_bytes(path, file=file, max_bytes=max_bytes, problems=problems)
    try:
        return None if data is None else text_of(data)
    except TextError as exc:
        problems.add(file, str(exc), row=exc.row, code="encoding")
        return None


def open_text(
    folder: Path, file: str, *, max_bytes: int = limits.TABLE_BYTES, problems: Problems, missing: str = "is missing"
) -> str | None:
    """Read a text file of a folder after all safety checks."""
    fault = file_fault(folder / file, root=folder, max_bytes=max_bytes)
    if fault is None:
        return read_text(folder / file, file=file, max_bytes=max_bytes, problems=problems)
    problems.add(file, missing if fault == "is missing" else fault, code="file-access")
    return None


def optional_rows(folder: Path, file: str, parse: Callable[[str, Problems], tuple[_Rows, ...]]) -> tuple[_Rows, ...]:
    """Read a table that a folder may lack; raise `TripError` with all problems."""
    if not os.path.lexists(folder / file):
        return ()
    problems = Problems()
    text = open_text(folder, file, problems=problems, missing="is a broken link; restore the file, or delete the link")
    rows = () if text is None else parse(text, problems)
    if len(problems):
        raise TripError(problems.found())
    return rows
