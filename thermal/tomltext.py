"""TOML that people typed: any text becomes tables of bounded depth and numbers, or a sentence on why not."""

import re
import tomllib
from typing import Any

from thermal.errors import ParameterError

_MOST_DOTS = 99
# A run of key parts joined by dots; the parser's work grows with the square of its length.
_DOTTED = re.compile(
    r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+)""" + f"{{{_MOST_DOTS + 1}}}",
)
_MOST_DEEP = 50
_LARGEST = 2**63


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
    ParameterError
        If it is no such text; the reason, with the line where it is known.

    Examples
    --------
    >>> read_toml('[oil]\nwarm = "90 degC"')
    {'oil': {'warm': '90 degC'}}
    """
    long = _DOTTED.search(text)
    if long is not None:
        row = text.count("\n", 0, long.start()) + 1
        message = f"a key of more than {_MOST_DOTS} dots; write sections [like this] (at line {row}, column 1)"
        raise ParameterError(message)
    try:
        data = tomllib.loads(text)
    except RecursionError as exc:
        message = "nested too deep"
        raise ParameterError(message) from exc
    except ValueError as exc:  # of TOML, or a whole number of thousands of digits
        raise ParameterError(str(exc).partition(";")[0]) from exc
    _check_bounds(data)
    return data


def _check_bounds(data: dict[str, Any]) -> None:
    """Refuse what TOML allows and no file of ours needs; without recursion."""
    level: list[Any] = [data]
    for _ in range(_MOST_DEEP):
        for value in level:
            if isinstance(value, int) and not -_LARGEST <= value < _LARGEST:
                message = "a whole number of more than 18 digits; write a shorter one"
                raise ParameterError(message)
        tables = (item.values() if isinstance(item, dict) else item for item in level if isinstance(item, dict | list))
        level = [inner for table in tables for inner in table]
        if not level:
            return
    message = "nested too deep"
    raise ParameterError(message)
