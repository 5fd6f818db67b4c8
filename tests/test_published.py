"""Runs every row of tests/published/.

A row's `function` may end in `:field`, taken from what the function returns. In `given`, a text that begins with a
number carries its unit and is converted by the argument's suffix; a list becomes an array; `{make = F, ...}` is what
the function F returns; `{base, section, set}` is a part of a vehicle class with some fields replaced.
"""

import dataclasses
import importlib
import re
import tomllib
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from cars import read_class

from thermal.units import convert, to_delta_k, to_si
from thermal.vehicle_file import key_of, sections

FOLDER = Path(__file__).parent / "published"
ROWS = [
    row
    for path in sorted(FOLDER.glob("*.toml"))
    for row in tomllib.loads(path.read_text(encoding="utf-8")).get("check", [])
]
KNOWN = re.compile(r"opened|secondary page|from memory|common practice|computed with \S.*")
OF_CARS = {
    (item.name.removeprefix(key_of(item)), item.metadata["unit"].replace("delta K", "K"))
    for part in sections().values()
    for item in fields(part)
    if "unit" in item.metadata
}
# longest first, so that `_j_per_kgk` is not read as `_k`
UNITS = sorted(
    [
        *((suffix, unit) for suffix, unit in OF_CARS if suffix),
        ("_n", "N"),
        ("_j_per_kgk", "J/(kg*K)"),
        ("_kg_per_m3", "kg/m**3"),
        ("_w_per_m2", "W/m**2"),
        ("_deg", "deg"),
    ],
    key=lambda pair: -len(pair[0]),
)


def unit_of(name: str) -> str:
    return next((unit for suffix, unit in UNITS if name.endswith(suffix)), "dimensionless")


def load(path: str) -> Any:
    """Import `package.module.Class.method` from its dotted name."""
    parts = path.split(".")
    found: Any = importlib.import_module(".".join(parts[:2]))
    for part in parts[2:]:
        found = getattr(found, part)
    return found


def value(name: str, written: Any) -> Any:
    """Turn what a row gives for one argument into the argument."""
    if isinstance(written, dict) and "make" in written:
        rest = {key: item for key, item in written.items() if key != "make"}
        return call(written["make"], rest)
    if isinstance(written, dict):
        return part(**written)
    if isinstance(written, list):
        return np.array(written, dtype=float)
    if isinstance(written, str) and re.match(r"[-+]?[.\d]+.*\s\S", written):
        return to_si(written, unit_of(name))
    return written


def part(base: str, section: str, set: dict[str, Any] | None = None) -> Any:
    """Section of a class with fields replaced; with no section, the whole car and `set` by section."""
    vehicle = read_class(base).vehicle
    changes = {section: set or {}} if section else (set or {})
    parts = {}
    for name, written in changes.items():
        fields = {key: tuple(v) if isinstance(v, list) else value(key, v) for key, v in written.items()}
        parts[name] = dataclasses.replace(getattr(vehicle, name), **fields)
    vehicle = dataclasses.replace(vehicle, **parts)
    return getattr(vehicle, section) if section else vehicle


def call(path: str, given: dict[str, Any]) -> Any:
    function, _, field = path.partition(":")
    arguments = {name: value(name, written) for name, written in given.items()}
    own = (arguments.pop("self"),) if "self" in arguments else ()
    got = load(function)(*own, **arguments)
    return getattr(got, field) if field else got


def in_unit(text: Any, unit: str, *, difference: bool) -> float:
    """Read an expectation or a tolerance, whose degrees are those of a difference."""
    if not isinstance(text, str):
        return float(text)
    return to_delta_k(text) if unit == "K" and difference else to_si(text, unit)


@pytest.mark.parametrize("row", ROWS, ids=[row["id"] for row in ROWS])
def test_row(row: dict[str, Any]) -> None:
    got = np.asarray(call(row["function"], row["given"])).ravel()
    assert got.size == 1
    name = row["function"].replace(":", ".").rsplit(".", 1)[1]
    unit = unit_of(name)
    expect = in_unit(row["expect"], unit, difference=False)
    within = in_unit(row["within"], unit, difference=True)
    assert within > 0.0
    assert abs(got[0] - expect) <= within, (
        f"{row['id']}: got {got[0]:.7g}, {row['source']} says {expect:.7g} +- {within:g}"
    )


def test_rows_are_complete_unique_and_honest() -> None:
    wanted = {"id", "function", "given", "expect", "within", "why", "source", "known"}
    assert all(set(row) == wanted for row in ROWS)
    assert all(row["why"] and row["source"] and KNOWN.fullmatch(row["known"]) for row in ROWS)
    assert len({row["id"] for row in ROWS}) == len(ROWS) > 160


def test_a_wrong_row_fails() -> None:
    row = next(row for row in ROWS if row["id"] == "raoult-50-sea-cap")
    with pytest.raises(AssertionError, match="raoult-50-sea-cap"):
        test_row({**row, "expect": "129.5 degC"})


def test_units_follow_the_suffix() -> None:
    assert unit_of("heat_capacity_j_per_kgk") == "J/(kg*K)"
    assert unit_of("density_kg_per_m3") == "kg/m**3"
    assert unit_of("engine_rad_per_s") == "rad/s"
    assert unit_of("volume_share") == "dimensionless"
    assert convert(1.0, unit_of("drag_n"), "N") == 1.0
