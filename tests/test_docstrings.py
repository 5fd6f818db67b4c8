"""Public functions say what they take: each parameter by name, physical ones with their unit in brackets.

Public are `planner/__init__`, thermal and maps. Inside planner's folders one sentence is enough.
"""

import importlib
import inspect
import pkgutil
import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from public import public_functions

PACKAGES = ("thermal", "planner", "maps")
UNFINISHED = ("planner.files.", "planner.weather.")
PHYSICS = "thermal"  # here every parameter ends in `[unit]`


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
    told = [f"{name}: parameter {item!r} is not described" for item in wanted if item not in held]
    told += [f"{name}: {item!r} is described but is no parameter" for item in held if item not in wanted]
    if units:
        bare = (item for item in wanted if item in held and not re.search(r"\[[^\]]+\]\.?$", held[item].rstrip()))
        told += [f"{name}: parameter {item!r} does not end in [unit]" for item in bare]
    return told


def short(name: str, function: Callable[..., Any], module: str = "") -> list[str]:
    """Inside planner: a docstring, and none of the sections that repeat the signature."""
    doc = inspect.getdoc(function)
    if not doc:
        return [f"{name}: no docstring"]
    if module.startswith(UNFINISHED):
        return []
    return [
        f"{name}: names and types say it; drop {title}" for title in ("Parameters", "Returns") if f"{title}\n--" in doc
    ]


@pytest.mark.parametrize("module_name", list(modules()))
def test_docstrings_name_every_parameter(module_name: str) -> None:
    found = [
        problem
        for name, function in public_functions(module_name)
        for problem in (
            short(name, function, module_name)
            if module_name.startswith("planner.")
            else problems(name, function, units=module_name.startswith(f"{PHYSICS}."))
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


def test_the_check_can_fail() -> None:
    assert problems("without", without, units=False) == ["without: no docstring"]
    assert problems("partly", partly, units=True) == [
        "partly: parameter 'grade' is not described",
        "partly: 'slope' is described but is no parameter",
        "partly: parameter 'speed_m_per_s' does not end in [unit]",
    ]
    assert problems("wholly", wholly, units=True) == []
    assert short("without", without) == ["without: no docstring"]
    assert short("wholly", wholly) == ["wholly: names and types say it; drop Parameters"]


def test_it_sees_the_packages() -> None:
    seen = [name for module in modules() for name, _ in public_functions(module)]
    assert "thermal.oil.Oil.viscosity_m2_per_s" in seen
    assert len(seen) > 80
