"""Who may import whom, read from the imports themselves.

planner -> thermal and planner -> maps; the lower two import nothing of ours outside themselves. Inside a package a file
imports only files above it in ORDER. pint is used by thermal/units.py alone, print by planner/cli.py alone.
"""

import ast
import functools
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ALLOWED = {"thermal": {"thermal"}, "maps": {"maps"}, "planner": {"planner", "thermal", "maps"}}
# Top to bottom as data flows; a file imports only names before its own.
ORDER = {
    "thermal": "errors tomltext compiled units ranges air oil coolant learnt vehicle vehicle_file vehicle_write engine "
    "roadload driveline brakes cooling drive loads kernel spread simulate reference logged misfit fit causes",
    "maps": "errors direction thinning scene basemap chart still page",
    "planner": "errors plaintext plainconsole streams paths wholefile model cautions display clock geo "
    "ground ground.packed ground.terrain ground.between ground.towns ground.usual files "
    "files.limits files.reading weather weather.record weather.diurnal weather.expected weather.spread weather.reply "
    "weather.wire weather.web weather.keep files.workbook files.tables files.sections files.gpxpoints files.gpx "
    "files.settings files.checks files.tracks files.routes files.profiles "
    "files.weatherfile weather.normals weather.nws weather.openmeteo weather.heights weather.services "
    "weather.pastyears weather.outlook weather.gather weather.along weather.told weather.command files.sessionfile "
    "files.channels files.logtime files.logtext files.logmap files.logmapfile files.logs files.logtold "
    "files.rows files.trips files.folder "
    "files.spreadsheet route route.graph route.days route.road route.timeline forecast answers answers.margins "
    "answers.fuel answers.service answers.trial answers.reroute answers.choices answers.remedies answers.whatif "
    "answers.sensitivity answers.alarms report underway underway.whereabouts underway.request underway.replan "
    "underway.warmth underway.changes "
    "session session.laps session.site session.course session.run session.show learn learn.matching learn.driven "
    "learn.plot learn.words learn.fit learn.review learn.show learn.written outputs outputs.write outputs.checked "
    "outputs.marks outputs.alarmcards outputs.terminal outputs.sheets outputs.mapscene outputs.gpx outputs.ics "
    "outputs.geojson outputs.export outputs.whatif outputs.weather console learn.commands cli __main__",
}
FILES = sorted(path for package in ALLOWED for path in (ROOT / package).rglob("*.py"))


def module_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


@functools.cache
def parsed(source: str) -> ast.Module:
    return ast.parse(source)


def imports(source: str) -> Iterator[str]:
    """Dotted names of every import, wherever it stands; relative ones are refused by test_imports_are_absolute."""
    for node in ast.walk(parsed(source)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def upward(source: str, module: str) -> list[str]:
    """Imports of ours that `module` may not make."""
    package, _, inner = module.partition(".")
    order = ORDER[package].split()
    bad = []
    for name in sorted(set(imports(source))):
        top, _, rest = name.partition(".")
        if top in ALLOWED and top not in ALLOWED[package]:
            bad.append(name)
        elif top == package and inner:
            target = next(
                (known for known in sorted(order, key=len, reverse=True) if f"{rest}.".startswith(f"{known}.")), ""
            )
            if target and target != inner and _place(order, target) >= _place(order, inner):
                bad.append(name)
    return bad


def _place(order: list[str], inner: str) -> int:
    """Position in the list; a module without a place stands last and is told by test_every_module_has_its_place."""
    return order.index(inner) if inner in order else len(order)


def uses(source: str, name: str) -> bool:
    """Whether a call to the bare name, or an import of it, stands in the source."""
    if name not in source:
        return False
    tree = parsed(source)
    called = any(
        isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == name
        for node in ast.walk(tree)
    )
    return called or any(found.split(".")[0] == name for found in imports(source))


@pytest.mark.parametrize("path", FILES, ids=[module_of(path) for path in FILES])
def test_imports_go_downward(path: Path) -> None:
    assert upward(path.read_text(encoding="utf-8"), module_of(path)) == []


@pytest.mark.parametrize("package", ALLOWED)
def test_every_module_has_its_place(package: str) -> None:
    """A new file must be put where it belongs in ORDER."""
    inner = {module_of(path).partition(".")[2] for path in (ROOT / package).rglob("*.py")} - {""}
    assert inner <= set(ORDER[package].split())


@pytest.mark.parametrize("path", FILES, ids=[module_of(path) for path in FILES])
def test_imports_are_absolute(path: Path) -> None:
    tree = parsed(path.read_text(encoding="utf-8"))
    assert not [node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and node.level > 0]


def test_pint_is_used_in_one_module() -> None:
    assert [module_of(p) for p in FILES if uses(p.read_text(encoding="utf-8"), "pint")] == ["thermal.units"]


def test_print_is_used_in_the_command_line_only() -> None:
    assert {module_of(p) for p in FILES if uses(p.read_text(encoding="utf-8"), "print")} <= {"planner.cli"}


@pytest.mark.parametrize(
    ("source", "module", "bad"),
    [
        ("import planner.geo", "thermal.air", ["planner.geo"]),
        ("from planner import geo", "maps.page", ["planner", "planner.geo"]),
        ("def f():\n    from thermal import air", "maps.page", ["thermal", "thermal.air"]),
        ("from thermal.simulate import simulate", "thermal.air", ["thermal.simulate", "thermal.simulate.simulate"]),
        ("from thermal import kernel", "thermal.loads", ["thermal.kernel"]),
        ("from thermal import loads", "thermal.kernel", []),
        (
            "from planner.weather.expected import x",
            "planner.clock",
            ["planner.weather.expected", "planner.weather.expected.x"],
        ),
        ("from thermal.units import to_si\nimport numpy", "planner.model", []),
    ],
)
def test_the_check_can_fail(source: str, module: str, bad: list[str]) -> None:
    assert upward(source, module) == bad


def test_the_name_check_can_fail() -> None:
    assert uses("print('x')", "print")
    assert uses("from pint import UnitRegistry", "pint")
    assert not uses("blueprint(1)\nimport printing", "print")
