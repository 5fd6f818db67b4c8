"""Who may import whom, read from the imports themselves.

Packages: planner imports thermal and maps; those two import nothing of ours outside themselves. Inside planner, FOLDERS
are ranked along the flow of data: a folder imports only folders of lower rank, and only `output` and the command line
draw maps. No two modules of a package import each other, directly or through others.
"""

import ast
import functools
from collections.abc import Iterator
from pathlib import Path

import networkx as nx
import pytest

ROOT = Path(__file__).parents[1]
ALLOWED = {"thermal": {"thermal"}, "maps": {"maps"}, "planner": {"planner", "thermal", "maps"}}
# Rank of each folder of planner; equal ranks may not import each other either.
FOLDERS = {
    "model": 0,
    "ground": 1,
    "files": 2,
    "newtrip": 3,
    "weather": 3,
    "route": 4,
    "forecast": 5,
    "analysis": 6,
    "replan": 7,
    "laps": 7,
    "logs": 7,
    "output": 8,
    "desk": 10,
    "cli": 11,
    "__main__": 12,
}
DRAW_MAPS = {"output", "desk", "cli"}
FILES = sorted(path for package in ALLOWED for path in (ROOT / package).rglob("*.py"))


def module_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


@functools.cache
def parsed(source: str) -> ast.Module:
    return ast.parse(source)


def imports(source: str) -> Iterator[str]:
    """Dotted names of every import, wherever it stands; the linter refuses relative ones."""
    for node in ast.walk(parsed(source)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def folder_of(module: str) -> str:
    """Folder of planner in which a module stands; the public interface, planner/__init__, has rank 9."""
    return [*module.split("."), ""][1]


def rank(folder: str) -> int:
    """Position of a folder in the way of the data."""
    return FOLDERS[folder] if folder else 9


def upward(source: str, module: str) -> list[str]:
    """Imports of ours that `module` may not make."""
    package, folder = module.split(".")[0], folder_of(module)
    bad = []
    for name in sorted(set(imports(source))):
        top, target = name.split(".")[0], folder_of(name)
        if top not in ALLOWED:
            continue
        across = top != package
        if across and (top not in ALLOWED[package] or (top == "maps" and folder not in DRAW_MAPS)):
            bad.append(name)
        if (
            top == package == "planner"
            and target in {*FOLDERS, ""}
            and target != folder
            and rank(target) >= rank(folder)
        ):
            bad.append(name)
    return bad


def graph_of(package: str) -> nx.DiGraph:
    """Build the modules of a package and who imports whom at its top level."""
    known = {module_of(path) for path in FILES}
    graph = nx.DiGraph()
    for path in FILES:
        here = module_of(path)
        if here.split(".")[0] == package:
            graph.add_edges_from((here, name) for name in imports(path.read_text(encoding="utf-8")) if name in known)
    graph.remove_nodes_from([node for node in list(graph) if not node.startswith(f"{package}.")])
    return graph


@pytest.mark.parametrize("path", FILES, ids=[module_of(path) for path in FILES])
def test_imports_go_downward(path: Path) -> None:
    assert upward(path.read_text(encoding="utf-8"), module_of(path)) == []


def test_every_folder_has_its_rank() -> None:
    """A new folder must be put where it belongs in FOLDERS."""
    found = {folder_of(module_of(path)) for path in FILES if path.parts[len(ROOT.parts)] == "planner"}
    assert found - {""} == set(FOLDERS)


@pytest.mark.parametrize("package", ALLOWED)
def test_no_modules_import_each_other(package: str) -> None:
    assert [sorted(ring) for ring in nx.strongly_connected_components(graph_of(package)) if len(ring) > 1] == []


@pytest.mark.parametrize(
    ("source", "module", "bad"),
    [
        ("import planner.model.geo", "thermal.air", ["planner.model.geo"]),
        ("from planner.model import geo", "maps.page", ["planner.model", "planner.model.geo"]),
        ("def f():\n    from thermal import air", "maps.page", ["thermal", "thermal.air"]),
        ("from thermal.units import to_si\nimport numpy", "planner.model.trip", []),
        ("from planner.weather import expected", "planner.files.gpx", ["planner.weather", "planner.weather.expected"]),
        ("from planner.files import gpx", "planner.weather.expected", []),
        ("import planner.logs.fit", "planner.replan.request", ["planner.logs.fit"]),
        ("import planner.route.days", "planner.route.graph", []),
        ("from maps import page", "planner.analysis.margins", ["maps", "maps.page"]),
        ("from maps import page", "planner.output.mapscene", []),
        ("import planner", "planner.output.terminal", ["planner"]),
        ("import planner", "planner.cli.main", []),
    ],
)
def test_the_check_can_fail(source: str, module: str, bad: list[str]) -> None:
    assert upward(source, module) == bad


def test_the_check_of_rings_can_fail() -> None:
    assert [ring for ring in nx.strongly_connected_components(nx.DiGraph([(1, 2), (2, 3), (3, 1)])) if len(ring) > 1]
