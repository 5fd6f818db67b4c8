"""Runs every row of tests/published/planner_*.toml."""

import importlib
import tomllib
from pathlib import Path
from typing import Any

import pytest

from thermal.units import to_si

FOLDER = Path(__file__).parents[1] / "published"
ROWS = [
    row
    for path in sorted(FOLDER.glob("planner_*.toml"))
    for row in tomllib.loads(path.read_text(encoding="utf-8"))["check"]
]
UNITS = {"_w_per_m2": "W/m^2", "_deg": "deg", "_m": "m", "_k": "K"}  # by the ending of the function's name


def unit_of(function: str) -> str:
    return next(unit for ending, unit in UNITS.items() if function.endswith(ending))


@pytest.mark.parametrize("row", ROWS, ids=[row["id"] for row in ROWS])
def test_row(row: dict[str, Any]) -> None:
    module, name = row["function"].rsplit(".", 1)
    got = float(getattr(importlib.import_module(module), name)(**row["given"]))
    unit = unit_of(name)
    assert abs(got - to_si(row["expect"], unit)) <= to_si(row["within"], unit), (row["id"], got, row["source"])


def test_rows_are_complete_and_unique() -> None:
    wanted = {"id", "function", "given", "expect", "within", "why", "source", "known"}
    assert all(set(row) == wanted for row in ROWS)
    assert len({row["id"] for row in ROWS}) == len(ROWS) > 10
