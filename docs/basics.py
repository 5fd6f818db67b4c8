"""Basics of the scripts that write pages; importing it puts the program and the tests' helpers on the path."""

import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

DOCS = Path(__file__).resolve().parent
ROOT = DOCS.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "shared")]


def table(heading: Sequence[str], rows: Iterable[Iterable[object]]) -> str:
    """Write a Markdown table."""
    head, *lines = (f"| {' | '.join(map(str, cells))} |" for cells in (heading, *rows))
    return "\n".join((head, "|" + "---|" * len(heading), *lines))
