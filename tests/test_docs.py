"""The pages for users name everything the program reads and writes, and nothing that it does not."""

import io
import json
import re
import shlex
from dataclasses import fields
from pathlib import Path

import pytest

from planner.cli import cli, main
from planner.console import BAD_INPUT, DONE, EXCEEDED, FAILED
from planner.files.profiles import PROFILE_COLUMNS
from planner.files.settings import DAY_KEYS, EVENT_KEYS, HALT_KEYS, MORNING_KEYS, PREFERENCES, SERVICE_KEYS, TOP_KEYS
from planner.files.trips import KINDS, LEG_COLUMNS, PLACE_COLUMNS, SERVICES
from planner.files.weatherfile import COLUMNS as WEATHER_COLUMNS
from thermal.vehicle_file import key_of, sections

ROOT = Path(__file__).parents[1]
FORMATS = (ROOT / "docs" / "formats.md").read_text(encoding="utf-8")
README = (ROOT / "README.md").read_text(encoding="utf-8")
ROW = re.compile(r"^\| (.+?) \|", re.MULTILINE)


def part(heading: str) -> str:
    """Text under a heading, down to the next of its rank or above."""
    rank = heading.split()[0]
    after = FORMATS.split(f"\n{heading}\n", 1)
    assert len(after) == 2, f"{heading!r} is missing"
    return re.split(rf"^#{{1,{len(rank)}}} ", after[1], maxsplit=1, flags=re.MULTILINE)[0]


def first_cells(text: str) -> set[str]:
    """Words in code font of the first column of every table."""
    return {name for cell in ROW.findall(text) for name in re.findall(r"`([^`]+)`", cell)}


def table_under(heading: str, head: str) -> set[str]:
    """Names in the first column of the table that begins with a heading cell."""
    block = re.split(rf"^\| {re.escape(head)} \|", part(heading), maxsplit=1, flags=re.MULTILINE)[1]
    return first_cells(block.split("\n\n")[0])


@pytest.mark.parametrize(
    ("heading", "columns"),
    [("### places.csv", PLACE_COLUMNS), ("### legs.csv", LEG_COLUMNS), ("### weather.csv", WEATHER_COLUMNS)],
)
def test_every_column_is_described_and_no_other(heading, columns):
    assert first_cells(part(heading)) == {column.name for column in columns}
    for column in columns:
        row = next(line for line in part(heading).splitlines() if re.match(rf"\| .*`{column.name}`", line))
        for unit in column.usual:
            assert f"`[{unit}]`" in row, f"{column.name}: {unit}"
        needed = row.split("|")[3].strip()
        assert needed == ("yes" if column.required else "no"), column.name


def test_the_columns_of_a_profile_are_described():
    for column in PROFILE_COLUMNS:
        assert f"`{column.name}`" in part("### Profiles")
        assert all(f"`[{unit}]`" in part("### Profiles") for unit in column.usual)


def test_kinds_and_services_are_listed():
    for word in (*KINDS, *SERVICES):
        assert f"`{word}`" in part("### places.csv")


def test_every_key_of_the_trip_is_described_and_no_other():
    top = {re.sub(r"[\[\]]", "", name) for name in table_under("## trip.toml", "key")}
    assert top == set(TOP_KEYS)
    assert table_under("## trip.toml", "key of `[day]`") == set(DAY_KEYS)
    assert table_under("## trip.toml", "key of `[[halt]]`") == set(HALT_KEYS)
    assert table_under("## trip.toml", "key of `[[event]]`") == set(EVENT_KEYS)
    assert table_under("## trip.toml", "key of `[[morning]]`") == set(MORNING_KEYS)
    assert table_under("## trip.toml", "key of `[[service]]`") == set(SERVICE_KEYS)
    assert table_under("## trip.toml", "key of `[weather]`") == {"normals"}
    assert all(f'"{word}"' in part("## trip.toml") for word in PREFERENCES)


@pytest.mark.parametrize("section", list(sections()))
def test_every_value_of_a_vehicle_is_described_and_no_other(section):
    rows = {}
    for line in part(f"### [{section}]").splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if cells[0].startswith("`"):
            rows[cells[0].strip("`")] = cells
    items = fields(sections()[section])
    assert set(rows) == {key_of(item) for item in items}
    for item in items:
        _, _, unit, plausible, what = rows[key_of(item)]
        meta = item.metadata
        assert what == meta["doc"]
        if "options" in meta:
            assert (unit, plausible) == ("word", ", ".join(meta["options"]))
        else:
            assert unit == (meta["unit"] if meta["unit"] != "dimensionless" else "number")
            assert plausible == f"{meta['low']:g} to {meta['high']:g}"


def test_no_section_of_a_vehicle_is_invented():
    assert set(re.findall(r"^### \[(\w+)\]$", FORMATS, re.MULTILINE)) == set(sections())


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    folder = tmp_path_factory.mktemp("docs") / "trip"
    assert main(["new", str(folder)], io.StringIO(), io.StringIO()) == 0
    # A margin of at most 50 K is called thin, so that there is something to remedy.
    trip = (folder / "trip.toml").read_text(encoding="utf-8")
    (folder / "trip.toml").write_text(f'thin = "50 K"\n{trip}', encoding="utf-8")
    assert main(["plan", str(folder)], io.StringIO(), io.StringIO()) == 0
    return folder / "out"


def test_every_heading_of_the_forecast_is_described(planned):
    described = {re.sub(r" \[.*", "", name) for name in first_cells(part("### forecast.csv"))}
    headings = (planned / "forecast.csv").read_text(encoding="utf-8").splitlines()[0].split(",")
    for heading in headings:
        name = re.sub(r" \[.*", "", heading)
        of_fluid = re.sub(r"^(engine oil|transmission|differential)", "coolant", name)
        assert {name, of_fluid} & described, heading


def test_every_key_of_the_plan_is_described(planned):
    plan = json.loads((planned / "plan.json").read_text(encoding="utf-8"))
    assert set(plan) == table_under("### plan.json", "key")
    assert set(plan["legs"][0]) == table_under("### plan.json", "key of a leg")
    assert set(plan["legs"][0]["fluids"][0]) == table_under("### plan.json", "key of a fluid")
    assert all(f"`{key}`" in part("### plan.json") for key in (*plan["assumed"], *plan["fuel"]))
    (remedied,) = plan["remedies"]
    assert set(remedied) == table_under("### plan.json", "key of a remedied day")
    assert set(remedied["choices"][0]) == table_under("### plan.json", "key of a choice")
    assert f"`{plan['schema']}`" in part("### plan.json")


def test_exit_codes_are_listed():
    codes = set(re.findall(r"^\| (\d+) \|", part("### Exit codes"), re.MULTILINE))
    assert codes == {str(code) for code in (DONE, EXCEEDED, BAD_INPUT, FAILED, 130)}


def test_the_written_files_are_named(planned):
    for path in planned.iterdir():
        assert f"`out/{path.name}`" in FORMATS


@pytest.mark.parametrize("page", [README, FORMATS], ids=["README", "formats"])
def test_commands_and_options_named_in_a_page_exist(page):
    code = "\n".join([*re.findall(r"```sh\n(.*?)```", page, re.DOTALL), *re.findall(r"`([^`\n]+)`", page)])
    found = re.findall(r"\bgrademargin (\w+)([^\n]*)", code)
    assert found
    for command, rest in found:
        assert command in cli.commands, command
        known = {name for option in cli.commands[command].params for name in option.opts}
        for option in re.findall(r"--[a-z-]+", rest.split("&&")[0]):
            assert option in known, f"{command} {option}"


@pytest.mark.parametrize("page", ["README.md", "docs/formats.md"])
def test_links_lead_to_files(page):
    text = (ROOT / page).read_text(encoding="utf-8")
    for target in re.findall(r"\]\((?!https?:|#)([^)#]+)", text):
        assert ((ROOT / page).parent / target).exists(), target


def test_the_python_page_runs(tmp_path, monkeypatch, capsys):
    """Every block of docs/api.md, one after the other, as a reader would run them."""
    monkeypatch.chdir(tmp_path)
    blocks = re.findall(r"```python\n(.*?)```", (ROOT / "docs" / "api.md").read_text(encoding="utf-8"), re.DOTALL)
    scope: dict[str, object] = {}
    for block in blocks:
        exec(compile(block, "docs/api.md", "exec"), scope)
    said = capsys.readouterr().out
    assert "engine oil between" in said
    assert "smallest margins" in said


def test_the_tutorial_works_as_written(tmp_path, monkeypatch):
    """Every file of the tutorial typed, every command run: no problem, a page with a sheet."""
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "san-juans"
    folder.mkdir()
    text = (ROOT / "docs" / "tutorial.md").read_text(encoding="utf-8")
    files = re.findall(r"\*\*`([\w.-]+)`\*\*\n```\w+\n(.*?)```", text, re.DOTALL)
    assert [name for name, _ in files] == ["places.csv", "legs.csv", "coal-bank.csv", "trip.toml", "vehicle.toml"]
    for name, body in files:
        (folder / name).write_text(body, encoding="utf-8")
    for command in re.findall(r"^grademargin (.*)$", text, re.MULTILINE):
        out, err = io.StringIO(), io.StringIO()
        assert main(shlex.split(command), out, err) in (DONE, EXCEEDED), err.getvalue()
    page = (folder / "out" / "trip.html").read_text(encoding="utf-8")
    assert "Red Mountain Pass" in page
