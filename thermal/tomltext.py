"""What people and other programs wrote: files of bounded size, text, TOML of bounded depth and numbers, quotations."""

import codecs
import os
import re
import stat
import tomllib
from pathlib import Path
from typing import Any

from thermal.errors import ParameterError

TOML_BYTES = 1_000_000  # of a TOML file; ours have a few kB
TOML_DEPTH = 50  # of tables and lists in each other, dots of a key among them
# A run of key parts joined by dots; the parser's work grows with the square of its length.
_DOTTED = re.compile(
    r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+)""" + f"{{{TOML_DEPTH + 1}}}",
)
_LARGEST = 2**63
_DEEP = "nested too deep"
_LINE = re.compile(r" ?\(at line (\d+), column \d+\)")
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


def shown(text: object) -> str:
    """Quote what was read for a message: one line, shortened.

    Parameters
    ----------
    text : object
        A text, or a value from TOML. [-]

    Returns
    -------
    str
        In quotation marks when it is a text.

    Examples
    --------
    >>> shown("abc"), shown("a" * 60)[-8:]
    ("'abc'", "aaaa...'")
    """
    plain = str(text) if isinstance(text, str) else repr(text)
    short = plain if len(plain) <= 50 else plain[:47] + "..."
    return repr(short) if isinstance(text, str) else short


def one_line(text: str, most: int = 200) -> str:
    r"""Shorten another program's words to what a terminal shows and does not obey.

    Parameters
    ----------
    text : str
        What came. [-]
    most : int
        Most characters. [-]

    Returns
    -------
    str
        One line.

    Examples
    --------
    >>> one_line("Try\x1b[2J again\nlater")
    'Try [2J again later'
    """
    return "".join(char if char.isprintable() else " " for char in text[:most])


def whole(path: Path, *, max_bytes: int) -> bytes:
    """Read all of a file; nothing that is none, or has become something else since it was looked at, makes it wait.

    Parameters
    ----------
    path : Path
        The file. [-]
    max_bytes : int
        Largest size allowed. [byte]

    Returns
    -------
    bytes
        Its content.

    Raises
    ------
    OSError
        If it cannot be read, is no plain file, or is larger; `strerror` says which.
    """
    with open(path, "rb", opener=_at_once) as file:
        state = os.fstat(file.fileno())
        if not stat.S_ISREG(state.st_mode):
            raise OSError(None, "not a plain file")
        data = file.read(max_bytes + 1) if state.st_size <= max_bytes else b""
    if max(len(data), state.st_size) > max_bytes:
        raise OSError(None, f"larger than {max_bytes / 1e6:.0f} MB")
    return data


def _at_once(path: str, flags: int) -> int:
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def text_of(data: bytes) -> str:
    """Text of bytes in UTF-8, or in UTF-16 that says so, as spreadsheet programs write.

    Parameters
    ----------
    data : bytes
        Content of a file. [-]

    Returns
    -------
    str
        Without a byte order mark.

    Raises
    ------
    TextError
        If they are something else, or hold characters that no text has.
    """
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
    """Say that a character must go.

    Parameters
    ----------
    control : re.Match
        What `CONTROL` has found. [-]

    Returns
    -------
    str
        Rest of a sentence.
    """
    return f"has the unprintable character U+{ord(control[0]):04X}; delete it"


def read_toml(text: str) -> dict[str, Any]:
    r"""Read a text as TOML.

    Parameters
    ----------
    text : str
        The file's text. [-]

    Returns
    -------
    dict
        Its tables: no deeper than 50, whole numbers of 64 bits as TOML promises.

    Raises
    ------
    TextError
        If it is no such text; the reason, with the line where it is known.

    Examples
    --------
    >>> read_toml('[oil]\nwarm = "90 degC"')
    {'oil': {'warm': '90 degC'}}
    """
    long = _DOTTED.search(text)
    if long is not None:
        why = f"a key of more than {TOML_DEPTH} dots; write sections [like this]"
        raise _toml_error(why, text.count("\n", 0, long.start()) + 1)
    try:
        data = tomllib.loads(text)
    except RecursionError as exc:
        raise _toml_error(_DEEP) from exc
    except ValueError as exc:  # of TOML, or a whole number of thousands of digits
        line, why = _LINE.search(str(exc)), _LINE.sub("", str(exc)).partition(";")[0]
        raise _toml_error(why, int(line[1]) if line is not None else 0) from exc
    _check_bounds(data)
    return data


def _toml_error(why: str, row: int = 0) -> TextError:
    return TextError(f"cannot be read as TOML ({why}); write key = value, texts in quotation marks", row)


def _check_bounds(data: dict[str, Any]) -> None:
    """Refuse what TOML allows and no file of ours needs; without recursion."""
    level: list[Any] = [data]
    for _ in range(TOML_DEPTH):
        for value in level:
            if isinstance(value, int) and not -_LARGEST <= value < _LARGEST:
                why = "a whole number of more than 18 digits; write a shorter one"
                raise _toml_error(why)
        tables = (item.values() if isinstance(item, dict) else item for item in level if isinstance(item, dict | list))
        level = [inner for table in tables for inner in table]
        if not level:
            return
    raise _toml_error(_DEEP)
