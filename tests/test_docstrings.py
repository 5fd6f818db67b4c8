"""Public functions say what they take, and nothing that name and type say already.

Public are `planner/__init__`, thermal and maps. `planner/__init__` describes each parameter. Thermal and maps describe,
or name in backticks, the numbers whose names do not end in a unit; an entry that repeats name and type is refused.
Inside planner's folders one sentence is enough, and so it is for what is private in thermal.
"""

import ast
import importlib
import inspect
import pkgutil
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from public import public_functions

PACKAGES = ("thermal", "planner", "maps")
PHYSICS = "thermal"
BY_NUMBERS = ("thermal.", "maps.")  # here every described number ends in `[unit]`
UNIT = re.compile(r"_(k|m|s|w|n|h|pa|nm|kg|deg|m2|m3)$|_per_\w+$")


def modules() -> Iterator[str]:
    yield "planner"
    for package in PACKAGES:
        root = importlib.import_module(package)
        yield from (found.name for found in pkgutil.walk_packages(root.__path__, f"{package}."))


def parameters_of(function: Callable[..., Any]) -> list[str]:
    return [name for name in inspect.signature(function).parameters if name not in ("self", "cls")]


def described(doc: str) -> dict[str, str]:
    """Parameter names of the numpy section `Parameters`, each with its text."""
    section = re.search(r"^Parameters\n-+\n(.*?)(?=^\S[^\n]*\n-{3,}\n|\Z)", doc, re.MULTILINE | re.DOTALL)
    found: dict[str, str] = {}
    names: list[str] = []
    for line in section[1].splitlines() if section else []:
        if re.match(r"[*\w]", line):
            names = [name.strip().lstrip("*") for name in line.partition(" :")[0].split(",")]
            found |= dict.fromkeys(names, "")
        for name in names:
            found[name] += f" {line.strip()}"
    return found


def problems(name: str, function: Callable[..., Any], *, units: bool) -> list[str]:
    doc = inspect.getdoc(function)
    if not doc:
        return [f"{name}: no docstring"]
    held = described(doc)
    if not held and not units and "." in function.__qualname__:
        return []
    wanted = parameters_of(function)
    numbers = [item for item in wanted if is_number(function, item)] if units else wanted
    silent = [item for item in numbers if not (units and (UNIT.search(item) or f"`{item}`" in doc))]
    told = [f"{name}: parameter {item!r} is not described" for item in silent if item not in held]
    told += [f"{name}: {item!r} is described but is no parameter" for item in held if item not in wanted]
    if units:
        bare = (item for item in numbers if item in held and not re.search(r"\[[^\]]+\]\.?$", held[item].rstrip()))
        told += [f"{name}: parameter {item!r} does not end in [unit]" for item in bare]
        idle = (item for item in held if item in wanted and item not in numbers and says_nothing(held[item]))
        told += [f"{name}: name and type of {item!r} say it; drop its entry" for item in idle]
    return told


def is_number(function: Callable[..., Any], parameter: str) -> bool:
    """Whether a parameter is a number or an array of numbers, so that it has a unit."""
    kind = str(inspect.signature(function).parameters[parameter].annotation)
    return bool(re.search(r"float|ndarray|\bint\b", kind)) and not re.search(r"Callable|Mapping|dict", kind)


def says_nothing(entry: str) -> bool:
    """Whether an entry has no more than three words, or a unit where there can be none."""
    text = entry.partition(" : ")[2].partition(" ")[2]
    return "[-]" in entry or len(text.split()) <= 3


def short(name: str, function: Callable[..., Any]) -> list[str]:
    """Inside planner: a docstring, and none of the sections that repeat the signature."""
    doc = inspect.getdoc(function)
    if not doc:
        return [f"{name}: no docstring"]
    return [
        f"{name}: names and types say it; drop {title}" for title in ("Parameters", "Returns") if f"{title}\n--" in doc
    ]


@pytest.mark.parametrize("module_name", list(modules()))
def test_docstrings_name_every_parameter(module_name: str) -> None:
    found = [
        problem
        for name, function in public_functions(module_name)
        for problem in (
            short(name, function)
            if module_name.startswith("planner.")
            else problems(name, function, units=module_name.startswith(BY_NUMBERS))
        )
    ]
    assert found == []


def without() -> None:
    pass


def partly(speed_m_per_s: float, grade: float) -> float:
    """Say something.

    Parameters
    ----------
    speed_m_per_s : float
        Speed.
    slope : float
        Rise over run. [-]

    Returns
    -------
    float
        Nothing.
    """
    return speed_m_per_s * grade


def wholly(a_k: float, b_k: float, *rest: float) -> float:
    """Say something.

    Parameters
    ----------
    a_k, b_k : float
        Temperatures, of which
        the first is warmer. [K]
    *rest : float
        More. [K]
    """
    return a_k + b_k + sum(rest)


def idly(car: str, way: str) -> None:
    """Say something.

    Parameters
    ----------
    car : str
        The car.
    way : str
        How the car is to be driven, in words.
    """


def test_the_check_can_fail() -> None:
    assert problems("without", without, units=False) == ["without: no docstring"]
    assert problems("partly", partly, units=True) == [
        "partly: parameter 'grade' is not described",
        "partly: 'slope' is described but is no parameter",
        "partly: parameter 'speed_m_per_s' does not end in [unit]",
    ]
    assert problems("wholly", wholly, units=True) == []
    assert problems("idly", idly, units=True) == ["idly: name and type of 'car' say it; drop its entry"]
    assert long_private("def _f():\n    'One. Two.'\n\ndef g():\n    'One. Two.'") == ["_f"]
    assert long_private("def _f():\n    'One, with 0.5 K.'") == []


def long_private(source: str) -> list[str]:
    """Functions and methods that are not public and whose docstring is longer than a sentence."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef) and node.name.startswith("_") and not node.name.startswith("__"):
            doc = re.sub(r"\s*\[[^\]]*\]\.?$", "", ast.get_docstring(node) or "")
            if "\n\n" in doc or re.search(r"\.\s+[A-Z]", doc):
                found.append(node.name)
    return found


@pytest.mark.parametrize("path", sorted(Path(importlib.import_module(PHYSICS).__path__[0]).glob("*.py")), ids=str)
def test_private_functions_of_the_physics_say_one_sentence(path: Path) -> None:
    assert long_private(path.read_text(encoding="utf-8")) == []
    assert short("without", without) == ["without: no docstring"]
    assert short("wholly", wholly) == ["wholly: names and types say it; drop Parameters"]


def test_it_sees_the_packages() -> None:
    seen = [name for module in modules() for name, _ in public_functions(module)]
    assert "thermal.oil.Oil.viscosity_m2_per_s" in seen
    assert len(seen) > 80
