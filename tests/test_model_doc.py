"""docs/model.md keeps step with the code: names exist, the physics is all there, the worked examples come out."""

import ast
import functools
import importlib
import re
import tomllib
from dataclasses import replace
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from cars import ESTATE, read_class
from public import public_functions

from thermal.drive import steady_drive
from thermal.loads import compute_loads
from thermal.simulate import limits_k, simulate

ROOT = Path(__file__).parents[1]
DOC = (ROOT / "docs" / "model.md").read_text(encoding="utf-8")
PHYSICS = (
    "air coolant oil roadload brakes engine driveline cooling drive loads kernel simulate spread reference".split()
)
NAME = re.compile(r"`((?:thermal|planner|maps)\.[\w.]+)`")
CHECK = re.compile(r"`([\w-]+\.(?:py|toml))::([^`]+)`")


def resolve(dotted: str) -> Any:
    """Import as much of a dotted name as is modules and take the rest as attributes."""
    parts = dotted.split(".")
    for cut in range(len(parts), 0, -1):
        try:
            item = importlib.import_module(".".join(parts[:cut]))
        except ModuleNotFoundError:
            continue
        for part in parts[cut:]:
            item = getattr(item, part)
        return item
    raise ModuleNotFoundError(dotted)


def functions_of(module: str) -> set[str]:
    return {name for name, _ in public_functions(module, compiled=True)}


def missing(doc: str, wanted: set[str]) -> list[str]:
    return sorted(wanted - set(NAME.findall(doc)))


def unknown_names(doc: str) -> list[str]:
    found = []
    for name in sorted(set(NAME.findall(doc))):
        try:
            resolve(name)
        except (AttributeError, ModuleNotFoundError):
            found.append(name)
    return found


@functools.cache
def checks_of(file: str) -> set[str]:
    """Test functions of a test file, or row ids of a file of published values; empty when there is no such file."""
    paths = list((ROOT / "tests").rglob(file))
    if len(paths) != 1:
        return set()
    text = paths[0].read_text(encoding="utf-8")
    if paths[0].suffix == ".toml":
        return {row["id"] for row in tomllib.loads(text)["check"]}
    return {node.name for node in ast.walk(ast.parse(text)) if isinstance(node, ast.FunctionDef)}


def unknown_checks(doc: str) -> list[str]:
    named = sorted(set(CHECK.findall(doc)))
    return [f"{file}::{name}" for file, name in named if not any(fnmatch(held, name) for held in checks_of(file))]


def test_what_it_names_exists() -> None:
    assert unknown_names(DOC) == []


def test_checks_it_names_exist() -> None:
    assert unknown_checks(DOC) == []


@pytest.mark.parametrize("module", PHYSICS)
def test_every_public_function_of_the_physics_is_named(module: str) -> None:
    assert missing(DOC, functions_of(f"thermal.{module}")) == []


def test_links_inside_the_page_lead_somewhere() -> None:
    """Headings become anchors as on GitHub: lower case, punctuation dropped, spaces to hyphens."""
    anchors = {
        re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-")
        for title in re.findall(r"^#+ (.+)$", DOC, re.MULTILINE)
    }
    links = re.findall(r"\]\(#([^)]+)\)", DOC)
    assert len(links) > 20
    assert [link for link in links if link not in anchors] == []


# --- worked examples: numbers derived by hand from the class file, with none of the code; see the page ---------------


def test_level_road_by_hand() -> None:
    """Tolerances: half the last printed digit; 0.02 K for the radiator's map and the approach to the steady state."""
    vehicle = read_class(ESTATE).vehicle
    drive = steady_drive(minutes=300, speed_m_per_s=65 * 0.44704, grade=0.0, air_k=293.15)
    loads, work = compute_loads(vehicle, drive)
    assert work.crank_w[0] == pytest.approx(19_478.4, abs=0.5)
    assert work.fuel_w[0] == pytest.approx(82_830.5, abs=0.5)
    made = [loads.metal_w, loads.oil_w, loads.axle_w, loads.axle_spin_w, loads.gearbox_w, loads.gearbox_spin_w]
    assert [float(q[0]) for q in made] == pytest.approx([25_431, 4_078, 385.9, 313.1, 85.9, 301.9], abs=0.5)
    steady_c = simulate(drive, vehicle).temps_k[0, -1, :5] - 273.15
    assert steady_c == pytest.approx([94.297, 86.181, 92.051, 65.104, 65.859], abs=0.02)
    assert "94.30 / 86.18 / 92.05" in DOC


def test_grade_with_trailer_by_hand() -> None:
    own = '[trailer]\nmass = {value = "700 kg", source = "x"}\ndrag_area = {value = "0.5 m**2", source = "x"}\n'
    vehicle = read_class(ESTATE, own).vehicle
    drive = steady_drive(minutes=120, speed_m_per_s=45 * 0.44704, grade=0.06, air_k=303.15, ac_on=True)
    drive = replace(drive, elevation_m=np.full(len(drive.duration_s), 2000.0))
    loads, work = compute_loads(vehicle, drive)
    assert work.gear[0] == 2.0
    assert work.crank_w[0] == pytest.approx(46_531.2, abs=0.5)
    assert (loads.metal_w[0], loads.oil_w[0]) == pytest.approx((42_784.1, 5_726.0), abs=0.5)
    steady_c = simulate(drive, vehicle).temps_k[0, -1, :3] - 273.15
    assert steady_c == pytest.approx([111.270, 98.247, 122.473], abs=0.02)
    assert "111.27 / 98.25 / 122.47" in DOC


def test_boiling_by_hand() -> None:
    """CoolProp 8.0.0: water at 225.2 kPa boils at 124.003 degC; IF97 differs by some millikelvin."""
    limit = limits_k(read_class(ESTATE).vehicle, np.array([0.0, 3000.0]))[:, 0] - 273.15
    assert limit == pytest.approx([120.0, 118.003], abs=0.015)


def test_the_checks_can_fail() -> None:
    doc = "`thermal.air.pressure_pa`, `thermal.air.not_there`, `thermal.nowhere.x`, `test_network.py::test_nothing`, "
    doc += "`thermal_air.toml::isa-*`, `no_file.toml::x`"
    assert unknown_names(doc) == ["thermal.air.not_there", "thermal.nowhere.x"]
    assert unknown_checks(doc) == ["no_file.toml::x", "test_network.py::test_nothing"]
    assert "thermal.air.vapour_pressure_pa" in missing(doc, functions_of("thermal.air"))
    assert "thermal.kernel.march" in functions_of("thermal.kernel")
    assert "thermal.oil.Oil.viscosity_m2_per_s" in functions_of("thermal.oil")


def test_it_names_enough_to_be_worth_checking() -> None:
    assert len(set(NAME.findall(DOC))) > 70
    assert len(set(CHECK.findall(DOC))) > 80
