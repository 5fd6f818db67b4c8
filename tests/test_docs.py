"""The pages for users name everything the program reads and writes, and nothing that it does not."""

import json
import re
import tomllib
from dataclasses import fields
from pathlib import Path

import made_up
import pytest

from planner.cli.console import BAD_INPUT, DONE, EXCEEDED, FAILED
from planner.cli.crash import CRASHED
from planner.files import limits
from planner.files.channels import CHANNELS
from planner.files.limits import TOML_BYTES, TOML_DEPTH
from planner.files.logtime import KINDS as TIME_KINDS
from planner.files.profiles import PROFILE_COLUMNS
from planner.files.readings import READING_COLUMNS
from planner.files.rows import KINDS, LEG_COLUMNS, PLACE_COLUMNS, SERVICES, WEATHER_COLUMNS
from planner.files.sessionfile import LAP_COLUMNS
from planner.files.settings import DAY_KEYS, EVENT_KEYS, HALT_KEYS, MORNING_KEYS, PREFERENCES, SERVICE_KEYS, TOP_KEYS
from planner.files.workbook import SKIPPED
from planner.output.write import PLAN_FILES
from planner.route.graph import MOST_DRIVEN, MOST_DRIVEN_M
from planner.route.nights import MOST_DAYS
from planner.weather.normals import COLUMNS as NORMALS_COLUMNS
from thermal.discrepancy_text import DRIVEN_KEYS
from thermal.fluids import FACTORS, FLUID_KEYS, FLUIDS
from thermal.vehicle_file import key_of, sections

ROOT = Path(__file__).parents[1]
FORMATS = (ROOT / "docs" / "formats.md").read_text(encoding="utf-8")
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").rglob("*.md")])
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
    [
        ("### places.csv", PLACE_COLUMNS),
        ("### legs.csv", LEG_COLUMNS),
        ("### weather.csv", WEATHER_COLUMNS),
        ("### readings.csv", READING_COLUMNS),
        ("### laps/*.csv", LAP_COLUMNS),
    ],
)
def test_every_column_is_described_and_no_other(heading, columns):
    assert first_cells(part(heading)) == {column.name for column in columns}
    for column in columns:
        row = next(line for line in part(heading).splitlines() if re.match(rf"\| .*`{column.name}`", line))
        for unit in column.usual:
            assert f"`[{unit}]`" in row, f"{column.name}: {unit}"
        needed = row.split("|")[3].strip()
        assert needed == ("yes" if column.required else "no"), column.name


def test_limits_are_told_as_they_are():
    """Every number of the table is a limit of the code, and every limit stands in it."""
    drive = {"LEGS_DRIVEN": MOST_DRIVEN, "KM_DRIVEN": int(MOST_DRIVEN_M / 1e3), "DAYS": MOST_DAYS}
    toml = {"TOML_BYTES": TOML_BYTES, "TOML_DEPTH": TOML_DEPTH}
    held = {name: value for name, value in vars(limits).items() if name.isupper()} | toml | drive
    bytes_of = {name for name in held if name.endswith("_BYTES") or name == "LOG_TEXT"}
    known = {f"{held[name] // 1_000_000} MB" if name in bytes_of else f"{held[name]:,}" for name in held}
    assert set(re.findall(r"(?<![\w,])\d[\d,]*\d(?: MB)?|\d+ MB", part("## Limits"))) == known


def test_the_columns_of_a_profile_are_described():
    for column in PROFILE_COLUMNS:
        assert f"`{column.name}`" in part("### Profiles")
        assert all(f"`[{unit}]`" in part("### Profiles") for unit in column.usual)


def test_the_columns_of_station_normals_are_described():
    described = first_cells(part("### Station normals"))
    for name in ("high", "low"):
        assert {f"{name}_1", f"{name}_12"} <= described
    monthly = {f"{name}_{month}" for name in ("high", "low") for month in range(1, 13)}
    assert described - monthly == {column.name for column in NORMALS_COLUMNS} - monthly


def test_the_sheets_that_are_read_and_those_that_are_not_are_described():
    told = dict(re.findall(r"^\| (`.+?`) \| (.+?) \|$", part("### trip.xlsx"), re.MULTILINE))
    assert told["`places`, `legs`"].startswith("needed")
    assert {name.strip("`") for key in told if "not read" in told[key] for name in key.split(", ")} == set(SKIPPED)


def test_every_key_of_a_log_mapping_is_described_and_no_other():
    where = "### Log mapping"
    assert table_under(where, "key") >= {"log", "date", "time", "long", "channels", "trip"}
    assert table_under(where, "kind of time") == set(TIME_KINDS)
    assert table_under(where, "channel") == set(CHANNELS)
    rows = [line for line in part(where).splitlines() if line.startswith("| `")]
    for name, channel in CHANNELS.items():
        row = next(line for line in rows if line.startswith(f"| `{name}` |"))
        assert set(re.findall(r"`([^`]+)`", row)[1:]) == set(channel.units)
    assert table_under(where, "key of a channel") == {"column", "unit", "no_data", "unsure"}


def test_every_factor_a_fit_can_write_is_described():
    assert table_under("### [fit]", "key") == {*FACTORS, "correlation", "discrepancy"}
    assert table_under("### [fit]", "key of `[fit.discrepancy]`") == {*DRIVEN_KEYS, *FLUID_KEYS}
    for name, factor in FACTORS.items():
        assert f"| `{name}` | {factor.words} |" in part("### [fit]")


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


VEHICLE_HEADINGS = re.findall(r"^### (?:\[\w+\] ?)+$", FORMATS, re.MULTILINE)
"""Headings of the sections of a vehicle file; one heading names all sections that hold the same keys."""


@pytest.mark.parametrize("section", list(sections()))
def test_every_value_of_a_vehicle_is_described_and_no_other(section):
    rows = {}
    (heading,) = (heading for heading in VEHICLE_HEADINGS if f"[{section}]" in heading)
    for line in part(heading).splitlines():
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
    named = [name for heading in VEHICLE_HEADINGS for name in re.findall(r"\w+", heading)]
    assert sorted(named) == sorted([*sections(), "fit"])


@pytest.fixture(scope="module")
def planned(tmp_path_factory, run):
    folder = tmp_path_factory.mktemp("docs") / "trip"
    assert run("new", folder).code == 0
    # A margin of at most 50 K is called thin, so that there is something to remedy.
    trip = (folder / "trip.toml").read_text(encoding="utf-8")
    (folder / "trip.toml").write_text(f'thin = "50 K"\n{trip}', encoding="utf-8")
    assert run("plan", folder).code == 0
    return folder / "out"


def test_every_heading_of_the_forecast_is_described(planned):
    described = {re.sub(r" \[.*", "", name) for name in first_cells(part("### forecast.csv"))}
    headings = (planned / "forecast.csv").read_text(encoding="utf-8").splitlines()[0].split(",")
    for heading in headings:
        name = re.sub(r" \[.*", "", heading)
        of_fluid = re.sub(rf"^({'|'.join(fluid.label for fluid in FLUIDS)})", "coolant", name)
        assert {name, of_fluid} & described, heading


def test_every_key_of_the_plan_is_described(planned):
    plan = json.loads((planned / "plan.json").read_text(encoding="utf-8"))
    assert set(plan) == table_under("### plan.json", "key")
    assert set(plan["days"][0]) == table_under("### plan.json", "key of a day")
    assert set(plan["legs"][0]) == table_under("### plan.json", "key of a leg")
    assert set(plan["legs"][0]["fluids"][0]) == table_under("### plan.json", "key of a fluid")
    assert all(f"`{key}`" in part("### plan.json") for key in (*plan["assumed"], *plan["fuel"]))
    (remedied,) = plan["remedies"]
    assert set(remedied) == table_under("### plan.json", "key of a remedied day")
    assert set(remedied["choices"][0]) == table_under("### plan.json", "key of a choice")
    assert f"`{plan['schema']}`" in part("### plan.json")


def test_exit_codes_are_listed():
    codes = set(re.findall(r"^\| (\d+) \|", part("### Exit codes"), re.MULTILINE))
    assert codes == {str(code) for code in (DONE, EXCEEDED, BAD_INPUT, FAILED, CRASHED, 130, 143)}


def test_the_written_files_are_named(planned):
    for name in PLAN_FILES:
        assert (planned / name).is_file()
        assert f"`out/{name}`" in FORMATS


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_links_lead_to_files_and_headings(page):
    text = page.read_text(encoding="utf-8")
    for target, anchor in re.findall(r"\]\((?!https?:)([^)#\s]*)(#[^)\s]+)?\)", text):
        found = (page.parent / target) if target else page
        assert found.exists(), target
        if anchor:
            heads = re.findall(r"^#+ (.*)$", found.read_text(encoding="utf-8"), re.MULTILINE)
            assert anchor[1:] in {slug(head) for head in heads}, anchor


def slug(heading: str) -> str:
    """The anchor a code host gives a heading."""
    return re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-")


def test_every_page_is_in_the_index():
    """Reached from docs/README.md in one step; every how-to by need."""
    index = (ROOT / "docs" / "README.md").read_text(encoding="utf-8")
    for page in (*(ROOT / "docs").rglob("*.md"), *(ROOT / "docs").glob("*.ipynb")):
        name = page.relative_to(ROOT / "docs").as_posix()
        assert name == "README.md" or f"]({name})" in index, name


# --- what the other files and --json hold ---

BY_NAME = {"margin_gained_k", "assumed_of_vehicle", "channels", "fluids"}
"""Keys whose value is keyed by fluids, values or channels of the trip, not by words of the format."""


def keys_in(value: object, *, free: bool = False) -> set[str]:
    """All keys of plain data, those that name a fluid, a value or a channel left out."""
    if isinstance(value, list):
        return set().union(*(keys_in(item, free=False) for item in value))
    if not isinstance(value, dict):
        return set()
    below = [
        keys_in(item, free=isinstance(item, dict) and key in BY_NAME | {"margin_k"}) for key, item in value.items()
    ]
    return set().union(set() if free else set(value), *below)


def told_of(heading: str) -> set[str]:
    """Every word in code font of the tables under a heading, both columns."""
    rows = [line for line in part(heading).splitlines() if line.startswith("| ") and not line.startswith("| key")]
    return {word for row in rows for word in re.findall(r"`([^`]+)`", row)}


@pytest.fixture(scope="module")
def printed(run):
    def read(*words: object) -> dict:
        ran = run(*words, "--json")
        assert ran.code in (DONE, EXCEEDED, FAILED), ran.err
        return json.loads(ran.out)

    return read


@pytest.fixture(scope="module")
def log_drive(planned, run):
    """The planned folder with a short log of its leg, confirmed."""
    path = planned.parent / "one.csv"
    made_up.write_first_leg(planned.parent, path, {})
    assert run("log", path, "--write").code == DONE
    return planned.parent, path


@pytest.mark.parametrize(
    ("heading", "words"),
    [
        ("#### new", ("new", "{new}")),
        ("#### check", ("check", "{trip}", "--rank", "--usual", "--try-out")),
        ("#### whatif", ("whatif", "{trip}", "--set", "cooling.cap_pressure=16 psi")),
        ("#### weather", ("weather", "{trip}", "--offline")),
        ("#### weather --elevations", ("weather", "{trip}", "--offline", "--elevations")),
        ("#### log", ("log", "{log}")),
        ("#### fit", ("fit", "{trip}", "{log}", "--learn", "axle_heat,axle_loss", "--on", "2027-07-11")),
        ("#### review", ("review", "{trip}", "{log}")),
        ("#### alarms", ("alarms", "{trip}")),
    ],
)
def test_every_key_printed_as_json_is_described(heading, words, log_drive, printed, tmp_path, user_folders):
    places = {"trip": log_drive[0], "log": log_drive[1], "new": tmp_path / "made"}
    found = printed(*(word.format(**places) for word in words))
    keys, told = keys_in(found), told_of(heading)
    assert keys <= told, sorted(keys - told)
    absent = {"factor", "per_day", "error"} if heading == "#### review" else set()
    assert first_cells(part(heading)) - {"key"} <= keys | absent
    if "schema" in found:
        assert found["schema"] in told


def test_forecast_prints_what_plan_json_holds(planned, printed):
    plan = json.loads((planned / "plan.json").read_text(encoding="utf-8"))
    assert printed("forecast", planned.parent) == plan | {"remedies": []}


def test_every_property_of_the_geojson_is_described(planned):
    features = json.loads((planned / "trip.geojson").read_text(encoding="utf-8"))["features"]
    for kind, head in (("LineString", "property of a leg"), ("Point", "property of a mark")):
        one = [f["properties"] for f in features if f["geometry"]["type"] == kind]
        assert set().union(*one) == table_under("### trip.geojson", head)
    fluids = next(f["properties"]["fluids"] for f in features if "fluids" in f["properties"])
    assert all(f"`{key}`" in part("### trip.geojson") for one in fluids.values() for key in one)


def test_every_property_of_the_calendar_is_described(planned):
    text = (planned / "trip.ics").read_text(encoding="utf-8")
    found = set(re.findall(r"^([A-Z-]+)[:;]", text, re.MULTILINE)) - {"BEGIN", "END"}
    assert found == set(re.findall(r"`([A-Z-]+)`", part("### trip.ics"))) & (found | {"UID", "GEO", "DTEND"})


def test_every_element_of_the_gpx_and_every_kind_of_mark_is_described(planned):
    text = (planned / "trip.gpx").read_text(encoding="utf-8")
    assert set(re.findall(r"<(\w+)[ >]", text)) - {"gpx"} <= set(re.findall(r"`(\w+)`", part("### trip.gpx")))
    assert set(re.findall(r"<type>(\w+)<", text)) <= table_under("### trip.gpx", "kind of mark")


def test_a_key_without_a_description_is_noticed():
    assert keys_in({"rows": [{"place": 1, "new_key": 2}]}) - told_of("#### weather") == {"new_key"}
    assert keys_in({"fluids": {"coolant": {"limit_k": 1}}}) == {"fluids", "limit_k"}


def test_the_tutorial_names_every_class_of_car():
    told = re.findall(
        r"^- `([\w-]+)`: (.+)$", (ROOT / "docs" / "tutorial.md").read_text(encoding="utf-8"), re.MULTILINE
    )
    files = sorted((ROOT / "data" / "vehicles").glob("*.toml"))
    assert told == [(path.stem, tomllib.loads(path.read_text(encoding="utf-8"))["name"]) for path in files]


# --- what the trust page cites ---


@pytest.mark.parametrize(
    ("page", "cited", "said"),
    [
        ("validation.md", "| 2018-02-26 **held out** | 3.6 / 1.9 / 2.1 |", "0.7 to 2.1 K"),
        ("validation.md", "| 2018-02-26 **held out** | 3.6 / 1.9 / 2.1 | **3.4 /", "3.2 and 3.4"),
        ("validation.md", "- 2017-07-13 (warm-up 3.2 K)", "3.2 and 3.4"),
        ("validation.md", "| 0.004 | 0.004 | below 1e-9 |", "within 0.01 K"),
        ("learning.md", "| 2017-07-05 | 1.8 | 0.7 | 1.6 | 2.6 |", "0.7, 1.6 and 2.6 K"),
        ("learning.md", "| 1 | 96.0% (9), 81% | 92.2% (13), 60% | 95.9% (23), 83% | 97.6% (10), 79% |", "92 to 98 %"),
        ("learning.md", "| 8 | 94.5% (8), 78% | 90.9% (11), 45% | 93.9% (19), 65% | 92.4% (9), 52% |", "91 to 94 %"),
        ("learning.md", "| 8 | 94.5% (8), 78% | 90.9% (11), 45% |", "only 45 %"),
        ("learning.md", "| 8, cars 0 to 9 | 39 of 40 (8) | 40 of 40 (13) | 32 of 40 (11) |", "in 8 of 40"),
        ("learning.md", "| sound days: car accused | 5 % | 0 of 16 |\n", "on none of 16 days"),
        ("learning.md", "0 of 48 | 25/1/6/0 of 32 |\n", "Of 32 planted faults it named 25"),
        ("learning.md", "| 28/2/4/0 of 34 | 31/1/2/0 of 34 |", "31 of 34 faults"),
        ("weather.md", "single hours can be 6 to 8 K off", "6 to 8 K off"),
        ("model.md", "±8 K on coolant, ±12 K on engine oil, ±15 K", "± 8 K (14 °F) on coolant"),
    ],
)
def test_the_trust_page_cites_what_the_other_pages_found(page, cited, said):
    assert cited in (ROOT / "docs" / page).read_text(encoding="utf-8")
    assert said in " ".join((ROOT / "docs" / "trust.md").read_text(encoding="utf-8").split())
