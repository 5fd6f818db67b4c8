"""What in a trip's files is possible and yet looks like a slip."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Mend:
    """The value that would be expected: of a place or the car by its field, of a leg by its position in the table."""

    of: str  # "place", "leg" or "car"
    name: str
    field: str
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """One value that looks like a slip.

    Attributes
    ----------
    file, row, column : str, int, str
        Where it stands; row 0 where it has none, or where it is a whole column. [-]
    value, against : str
        What was read, and what it was held against. [-]
    sentence : str
        All of it for people, with what to look at. [-]
    mend : Mend or None
        What to put in its place to see whether it matters. [-]
    moves_k : float or None
        How far a margin moves then; None where nobody has tried. [K]
    """

    file: str
    row: int
    column: str
    value: str
    against: str
    sentence: str
    mend: Mend | None = None
    moves_k: float | None = None

    @property
    def where(self) -> str:
        """File, row and column."""
        row = f" row {self.row}" if self.row else ""
        return f"{self.file}{row}" + (f", {self.column}" if self.column else "")

    @property
    def line(self) -> str:
        """Where and what, in a line."""
        return f"{self.where}: {self.sentence}"

    def as_dict(self) -> dict[str, object]:
        """Give the same as plain data."""
        said: dict[str, object] = {"file": self.file, "row": self.row or None, "column": self.column}
        said |= {"value": self.value, "held_against": self.against, "sentence": self.sentence}
        return said | {"margin_moves_k": None if self.moves_k is None else round(self.moves_k, 1)}
