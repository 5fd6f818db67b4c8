"""Errors raised by the thermal package; all carry a sentence a person can act on."""

import difflib
from collections.abc import Iterable


class ThermalError(Exception):
    """Root of everything the thermal package raises on purpose."""


class UnitError(ThermalError):
    """A text that cannot be read as a number with a unit of the wanted kind."""


class ParameterError(ThermalError):
    """A parameter that is missing, unknown or impossible."""


class RangeError(ThermalError):
    """A value outside the range a law is valid for."""


class SolverError(ThermalError):
    """The integration could not go on."""


def did_you_mean(word: str, words: Iterable[str]) -> str:
    """Phrase a suggestion, or nothing.

    Returns
    -------
    str
        To end a sentence with; empty where nothing comes near.

    Examples
    --------
    >>> did_you_mean("coling", ["cooling", "body"]), did_you_mean("x", ["cooling"])
    ("; did you mean 'cooling'?", '')
    """
    near = difflib.get_close_matches(word, list(words), n=1)
    return f"; did you mean {near[0]!r}?" if near else ""


def shown(text: object) -> str:
    """Quote what was read for a message: one line, shortened.

    Parameters
    ----------
    text : object
        A text, or a value from TOML.

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
