"""Errors raised by the thermal package; each message says what to do."""

import difflib
from collections.abc import Iterable


class ThermalError(Exception):
    """Base class of the errors of this package."""


class UnitError(ThermalError):
    """A text that cannot be read as a number with a unit of the wanted kind."""


class ParameterError(ThermalError):
    """A parameter that is missing, unknown or impossible."""


class RangeError(ThermalError):
    """A value outside the range a law is valid for."""


class SolverError(ThermalError):
    """The integration failed."""


def did_you_mean(word: str, words: Iterable[str]) -> str:
    """Phrase a suggestion to end a sentence with; empty if no word is near.

    >>> did_you_mean("coling", ["cooling", "body"]), did_you_mean("x", ["cooling"])
    ("; did you mean 'cooling'?", '')
    """
    near = difflib.get_close_matches(word, list(words), n=1)
    return f"; did you mean {near[0]!r}?" if near else ""


def shown(text: object) -> str:
    """Quote a text or a TOML value for a message: one line, shortened; a text in quotation marks.

    >>> shown("abc"), shown("a" * 60)[-8:]
    ("'abc'", "aaaa...'")
    """
    plain = str(text) if isinstance(text, str) else repr(text)
    short = plain if len(plain) <= 50 else plain[:47] + "..."
    return repr(short) if isinstance(text, str) else short


def one_line(text: str, most: int = 200) -> str:
    r"""Shorten another program's text to one line of printable characters; `most` is the maximum length. [-]

    >>> one_line("Try\x1b[2J again\nlater")
    'Try [2J again later'
    """
    return "".join(char if char.isprintable() else " " for char in text[:most])
