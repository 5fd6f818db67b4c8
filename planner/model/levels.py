"""Levels of a margin, least severe first; the same words in tables, files and on the page."""

from typing import NamedTuple


class Level(NamedTuple):
    """One level: its word, legend and terminal style."""

    word: str
    legend: str
    style: str


AMPLE = Level("ample", "Ample margin", "")
UNKNOWN = Level("unknown", "Margin not known", "bold cyan")
THIN = Level("thin", "Thin margin", "bold yellow")
EXCEEDED = Level("exceeded", "Limit exceeded", "bold red reverse")
LEVELS = (AMPLE, UNKNOWN, THIN, EXCEEDED)
WORDS = tuple(level.word for level in LEVELS)
TIGHT = frozenset({THIN.word, EXCEEDED.word})
"""Levels that require action."""


def severity(word: str) -> int:
    """Rank of a level, 0 is the least severe.

    >>> severity("ample"), severity("exceeded")
    (0, 3)
    """
    return WORDS.index(word)


def level_of(margin_k: float, thin_band_k: float, *, least_k: float | None = None) -> str:
    """Classify a margin; `least_k` is its lower bound on an unknown road.

    >>> level_of(8.0, 8.0), level_of(0.0, 8.0), level_of(-0.1, 8.0)
    ('ample', 'thin', 'exceeded')
    >>> level_of(20.0, 8.0, least_k=3.0), level_of(20.0, 8.0, least_k=12.0), level_of(5.0, 8.0, least_k=-4.0)
    ('unknown', 'ample', 'thin')
    """
    if margin_k < 0.0:
        return EXCEEDED.word
    if margin_k < thin_band_k:
        return THIN.word
    return AMPLE.word if least_k is None or least_k >= thin_band_k else UNKNOWN.word
