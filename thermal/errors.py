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

    Parameters
    ----------
    word : str
        What was read. [-]
    words : iterable of str
        What is allowed. [-]

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
