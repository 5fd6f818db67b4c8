"""Errors raised by the planner; each is one line at the command line."""

from collections.abc import Sequence
from dataclasses import dataclass


class PlannerError(Exception):
    """Base class of the planner's errors."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One problem of a trip's files.

    `code` is stable and listed in docs/formats.md; `text` says what was read, what is allowed and what to do. Row 0 and
    empty texts mean that this part of the location does not apply.
    """

    code: str
    text: str
    file: str = ""
    row: int = 0
    column: str = ""
    key: str = ""

    @property
    def where(self) -> str:
        """File, row, column and key."""
        row, column = f" row {self.row}" if self.row else "", f", column '{self.column}'" if self.column else ""
        return self.file + row + column + (f" key '{self.key}'" if self.key else "")

    def __str__(self) -> str:
        """Return location and message in one line."""
        return f"{self.where}: {self.text}" if self.file else self.text

    def as_dict(self) -> dict[str, object]:
        """Return the same as plain data."""
        said = {"file": self.file, "row": self.row, "column": self.column, "key": self.key}
        return {"code": self.code, "text": self.text} | {name: value or None for name, value in said.items()}


class TripError(PlannerError):
    """The trip folder has problems: `found` has all, sorted by file and row; `problems` has them as sentences."""

    def __init__(self, problems: Sequence[Problem | str]) -> None:
        self.found = tuple(p if isinstance(p, Problem) else Problem(code="folder", text=p) for p in problems)
        self.problems = tuple(str(problem) for problem in self.found)
        super().__init__("\n".join(self.problems))


class NoRouteError(PlannerError):
    """The route graph has no connection between two places."""


class OutputError(PlannerError):
    """The results could not be written."""
