"""Reading files that people typed: what is wrong with them, collected in sentences; files that may be opened at all."""

import difflib
from collections.abc import Iterable
from pathlib import Path, PureWindowsPath
from typing import Any

from planner.files import limits
from planner.model.errors import TripError
from thermal.tomltext import TextError, read_toml, shown, text_of, whole


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
        if len(self._found) > limits.PROBLEMS:
            raise TripError(self.sentences())

    def sentences(self) -> list[str]:
        """Return the sentences sorted by file and row, the first forty of them and a count of the rest."""
        ordered = [_printable(text[: limits.SENTENCE]) for _, _, text in sorted(self._found, key=lambda item: item[:2])]
        rest = len(ordered) - limits.SENTENCES
        return ordered[: limits.SENTENCES] + ([f"... and {rest} more"] if rest > 0 else [])


def path_fault(name: str, *, example: str) -> str | None:
    """Say why a path in a file cannot be that of another file of the folder, on whatever system it was written.

    Parameters
    ----------
    name : str
        As written. [-]
    example : str
        A good one. [-]

    Returns
    -------
    str or None
        Part of a sentence; None when it may be one.

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


def read_bytes(path: Path, *, file: str, max_bytes: int, problems: Problems) -> bytes | None:
    """Read a file that `file_fault` has let pass.

    Parameters
    ----------
    path : Path
        The file. [-]
    file : str
        Its name in messages. [-]
    max_bytes : int
        Largest size allowed. [byte]
    problems : Problems
        Where faults go. [-]

    Returns
    -------
    bytes or None
        None when a problem was noted.
    """
    try:
        return whole(path, max_bytes=max_bytes)
    except OSError as exc:
        problems.add(file, f"cannot be opened ({exc.strerror})")
        return None


def read_text(path: Path, *, file: str, max_bytes: int = limits.TABLE_BYTES, problems: Problems) -> str | None:
    """Read a text file that `file_fault` has let pass.

    Parameters
    ----------
    path : Path
        The file. [-]
    file : str
        Its name in messages. [-]
    max_bytes : int
        Largest size allowed. [byte]
    problems : Problems
        Where faults go. [-]

    Returns
    -------
    str or None
        The text without a byte order mark; None when a problem was noted.
    """
    data = read_bytes(path, file=file, max_bytes=max_bytes, problems=problems)
    try:
        return None if data is None else text_of(data)
    except TextError as exc:
        problems.add(file, str(exc), row=exc.row)
        return None


def open_text(
    folder: Path, file: str, *, max_bytes: int = limits.TABLE_BYTES, problems: Problems, missing: str = "is missing"
) -> str | None:
    """Read a text file of a folder, whatever lies there under its name.

    Parameters
    ----------
    folder : Path
        The folder it must lie in once links are followed. [-]
    file : str
        Its path in there, and its name in messages. [-]
    max_bytes : int
        Largest size allowed. [byte]
    problems : Problems
        Where faults go. [-]
    missing : str
        What to say when there is none. [-]

    Returns
    -------
    str or None
        The text; None when a problem was noted.
    """
    fault = file_fault(folder / file, root=folder, max_bytes=max_bytes)
    if fault is None:
        return read_text(folder / file, file=file, max_bytes=max_bytes, problems=problems)
    problems.add(file, missing if fault == "is missing" else fault)
    return None


def toml_of(text: str, *, file: str, problems: Problems) -> dict[str, Any] | None:
    """Tables of a text in TOML.

    Parameters
    ----------
    text : str
        The file's text. [-]
    file : str
        Its name in messages. [-]
    problems : Problems
        Where faults go. [-]

    Returns
    -------
    dict or None
        None when a problem was noted.
    """
    try:
        return read_toml(text)
    except TextError as exc:
        problems.add(file, str(exc), row=exc.row)
        return None
