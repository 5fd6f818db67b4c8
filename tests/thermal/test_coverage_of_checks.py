"""Every public function of the sub-models is checked against something outside it.

A function counts as checked when a row of tests/published/thermal_*.toml names it, or a test here carries the mark
`checks("thermal.module.function")` and calls it by name.
"""

import ast
import tomllib
from pathlib import Path

from public import public_functions

HERE = Path(__file__).parent
MODULES = ("air", "coolant", "oil", "roadload", "brakes", "engine", "driveline", "cooling")


def from_rows(folder: Path) -> set[str]:
    """Functions named by published rows, a `:field` cut off."""
    rows = [r for p in folder.glob("thermal_*.toml") for r in tomllib.loads(p.read_text(encoding="utf-8"))["check"]]
    return {row["function"].partition(":")[0] for row in rows}


def from_marks(source: str) -> set[str]:
    """Functions in the `checks` marks of a test file whose test, or file, also names them outside the mark."""
    tree = ast.parse(source)
    used = {n.attr for n in ast.walk(tree) if isinstance(n, ast.Attribute)}
    used |= {n.id for n in ast.walk(tree) if isinstance(n, ast.Name)}
    found = set()
    for node in ast.walk(tree):
        for mark in getattr(node, "decorator_list", []):
            if isinstance(mark, ast.Call) and ast.unparse(mark.func) == "pytest.mark.checks":
                found |= {arg.value for arg in mark.args if isinstance(arg, ast.Constant)}
    return {name for name in found if name.rpartition(".")[2] in used}


def covered() -> set[str]:
    marks = (from_marks(path.read_text(encoding="utf-8")) for path in HERE.glob("test_*.py"))
    return from_rows(HERE.parent / "published").union(*marks)


def unchecked(wanted: set[str], have: set[str]) -> list[str]:
    return sorted(wanted - have)


def wanted() -> set[str]:
    return {name for module in MODULES for name, _ in public_functions(f"thermal.{module}")}


def test_every_public_function_is_checked() -> None:
    assert unchecked(wanted(), covered()) == []


def test_nothing_claims_to_check_what_does_not_exist() -> None:
    assert {name for name in covered() if name.split(".")[1] in MODULES} <= wanted()


def test_the_check_can_fail() -> None:
    assert len(wanted()) > 30
    assert unchecked(wanted() | {"thermal.air.not_there"}, covered()) == ["thermal.air.not_there"]
    assert from_marks('@pytest.mark.checks("thermal.air.pressure_pa")\ndef test_x():\n    assert 1\n') == set()
    assert from_marks('@pytest.mark.checks("thermal.air.a_pa")\ndef test_x():\n    air.a_pa(1)\n') == {
        "thermal.air.a_pa"
    }
