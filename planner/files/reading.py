"""Reading files that people typed: what is wrong with them, collected in sentences; files that may be opened at all."""

import codecs
import difflib
import os
import re
import stat
from collections.abc import Iterable
from pathlib import Path

from planner.errors import TripError
from thermal.tomltext import shown as shown

MAX_SENTENCES, MAX_LENGTH = 40, 1500
MOST_BYTES = 50_000_000  # of any file of a trip folder; most kinds have a smaller limit of their own
MOST_PROBLEMS = 400  # no more are looked for
MOST_COMPARED, _LONGEST_COMPARED = 500, 100  # names compared with a wrong one to find the nearest; comparing is slow
_UTF_16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f]")


def nearest(text: str, options: Iterable[str]) -> str:
    """Return a question naming the most similar option, or the list of what is allowed.

    Parameters
    ----------
    text : str
        What was read. [-]
    options : iterable of str
        What is allowed. [-]

    Returns
    -------
    str
        End of a sentence.

    Examples
    --------
    >>> nearest("elevaton", ["place", "elevation"])
    "did you mean 'elevation'?"
    >>> nearest("xyz", ["on", "off"])
    'allowed: on, off'
    """
    names = list(options)
    compared = names if len(names) <= MOST_COMPARED and len(text) <= _LONGEST_COMPARED else []
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
        return len(self._found) > MAX_SENTENCES

    def nearest(self, text: str, options: Iterable[str]) -> str:
        """Return what `nearest` says, while there are few enough problems for it to be shown.

        Parameters
        ----------
        text : str
            What was read. [-]
        options : iterable of str
            What is allowed. [-]

        Returns
        -------
        str
            End of a sentence.
        """
        return "check the spelling" if self.many else nearest(text, options)

    def add(self, file: str, text: str, *, row: int = 0, column: str = "", key: str = "") -> None:
        """Note one problem.

        Parameters
        ----------
        file : str
            Name of the file inside the folder. [-]
        text : str
            What was read, what is allowed, what to do. [-]
        row : int
            Row as a spreadsheet counts, 0 for the whole file. [-]
        column : str
            Heading as written. [-]
        key : str
            Key of a TOML file, with its section. [-]

        Raises
        ------
        TripError
            With what was found, once there is more than anybody will mend in one go.
        """
        where = file + (f" row {row}" if row else "")
        where += (f", column '{column}'" if column else "") + (f" key '{key}'" if key else "")
        self._found.append((file, row, f"{where}: {text}"))
        if len(self._found) > MOST_PROBLEMS:
            raise TripError(self.sentences())

    def sentences(self) -> list[str]:
        """Return the sentences sorted by file and row, the first forty of them and a count of the rest."""
        ordered = [_printable(text[:MAX_LENGTH]) for _, _, text in sorted(self._found, key=lambda item: item[:2])]
        rest = len(ordered) - MAX_SENTENCES
        return ordered[:MAX_SENTENCES] + ([f"... and {rest} more"] if rest > 0 else [])


def file_fault(path: Path, *, root: Path, max_bytes: int) -> str | None:
    """Say why a file must not or cannot be read.

    Parameters
    ----------
    path, root : Path
        The file, and the folder it must lie in once links are followed. [-]
    max_bytes : int
        Largest size allowed. [byte]

    Returns
    -------
    str or None
        Rest of a sentence, such as 'is missing'; None when the file can be read.
    """
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


def whole(path: Path) -> bytes:
    """Read all of a file that `file_fault` has let pass, also when it has been exchanged for something else since.

    Parameters
    ----------
    path : Path
        The file. [-]

    Returns
    -------
    bytes
        Its content.

    Raises
    ------
    OSError
        If it cannot be read, is no plain file, or is larger than any file of a trip may be.
    """
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    with os.fdopen(handle, "rb") as file:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError(None, "not a plain file")
        data = file.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise OSError(None, f"larger than {MOST_BYTES / 1e6:.0f} MB")
    return data


def read_text(path: Path, *, file: str, problems: Problems) -> str | None:
    """Read a UTF-8 file that `file_fault` has let pass, or one in UTF-16 that says so, as spreadsheet programs write.

    Parameters
    ----------
    path : Path
        The file. [-]
    file : str
        Its name in messages. [-]
    problems : Problems
        Where faults go. [-]

    Returns
    -------
    str or None
        The text without a byte order mark; None when a problem was noted.
    """
    try:
        data = whole(path)
    except OSError as exc:
        problems.add(file, f"cannot be opened ({exc.strerror})")
        return None
    try:
        text = data.decode("utf-16" if data[:2] in _UTF_16 else "utf-8-sig")
    except UnicodeDecodeError as exc:
        row = data.count(b"\n", 0, exc.start) + 1
        problems.add(file, "has bytes that are not UTF-8 text; save the file again as 'CSV UTF-8' or UTF-8", row=row)
        return None
    if 4 * text.count("\0") > len(text):
        problems.add(file, "is not UTF-8 text; save the file again as 'CSV UTF-8' or UTF-8")
        return None
    control = CONTROL.search(text)
    if control is not None:
        row = text.count("\n", 0, control.start()) + 1
        problems.add(file, f"has the unprintable character U+{ord(control[0]):04X}; delete it", row=row)
        return None
    return text
