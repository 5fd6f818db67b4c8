"""Doubts: values in a trip's files that are possible but suspicious."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """The expected value: a field of a place or the car by name, of a leg by its position in the table."""

    of: str  # "place", "leg" or "car"
    name: str
    field: str
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """One suspicious value, and what it was compared with.

    Row 0 means the whole column, or no row. `expected` is the replacement used to test whether the value matters,
    `moves_k` the change of a margin with it; None if not tested.
    """

    file: str
    row: int
    column: str
    value: str
    against: str
    sentence: str
    expected: Expected | None = None
    moves_k: float | None = None

    @property
    def where(self) -> str:
        """File, row and column."""
        row = f" row {self.row}" if self.row else ""
        return f"{self.file}{row}" + (f", {self.column}" if self.column else "")

    @property
    def line(self) -> str:
        """Location and message in one line."""
        return f"{self.where}: {self.sentence}"

    def as_dict(self) -> dict[str, object]:
        """Return the same as plain data."""
        said: dict[str, object] = {"file": self.file, "row": self.row or None, "column": self.column}
        said |= {"value": self.value, "held_against": self.against, "sentence": self.sentence}
        return said | {"margin_moves_k": None if self.moves_k is None else round(self.moves_k, 1)}
