"""Text of a stranger's folder in tables, messages, calendars and spreadsheets: it is shown, and does nothing."""

import csv
import io
import json
import shutil
import xml.etree.ElementTree as ET
from pathlib import Path

import icalendar
import pytest

from planner.cli.streams import Streams
from planner.model.plaintext import printable
from planner.output.write import to_json

MINIMAL = Path(__file__).parents[2] / "data" / "examples" / "minimal"
ACTS = "\x1b]0;owned\x07\x1b[2J\x1b[31m\r\x9b2J\x08\u202eabc\u2066\u2028\x85"
FORBIDDEN = set(ACTS) - set("abc]0;owned[2J31m")
FORMULA = '=HYPERLINK("http://x")'
MARKUP = "[red][link=http://x]a[/link] [/b] :smile:"


def toml(text):
    return json.dumps(text)


@pytest.fixture(scope="module")
def planned(tmp_path_factory, copy_example, run):
    """The minimal trip with a name that acts wherever one is taken; what `plan` said and wrote."""
    folder = copy_example("minimal", tmp_path_factory.mktemp("x") / f"t{ACTS.replace('/', '')}")
    rows = [
        ["place", "name", "lat", "lon", "elevation [ft]", "note", "services"],
        ["needles", MARKUP, "34.8481", "-114.6141", "495", FORMULA, "lodging"],
        ["kingman", FORMULA, "35.1894", "-114.0530", "3335", MARKUP, ""],
    ]
    with (folder / "places.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)
    with (folder / "legs.csv").open("w", encoding="utf-8", newline="") as file:
        heads = ["from", "to", "distance [mi]", "speed [mph]", "road", "note"]
        csv.writer(file).writerows([heads, ["needles", "kingman", "61", "62", f"@{MARKUP}", FORMULA]])
    trip = 'start = "needles"\nfinish = "kingman"\ndeparture = "2027-07-10 14:00"\nthin = "50 K"\n'
    service = f"[[service]]\nitem = {toml(MARKUP)}\nevery = '10 mi'\n"
    (folder / "trip.toml").write_text(trip + service, encoding="utf-8")
    car = f'base = "estate-1990s-six"\nname = {toml(ACTS + MARKUP)}\n[body]\nmass = {{value = "1700 kg", source = '
    (folder / "vehicle.toml").write_text(car + f"{toml('ASSUMED: ' + ACTS)}}}\n", encoding="utf-8")
    ran = run("plan", folder)
    assert ran.code in (0, 1), ran.err
    return folder, ran.out, ran.err


@pytest.mark.parametrize("command", [["check"], ["check", "--json"], ["forecast"], ["forecast", "--csv"], ["alarms"]])
def test_nothing_acts_on_the_terminal(planned, run, command):
    ran = run(command[0], planned[0], *command[1:])
    assert ran.code in (0, 1), ran.err
    assert not FORBIDDEN & set(ran.out + ran.err)


def test_the_plan_shows_names_letter_by_letter(planned):
    _, out, err = planned
    assert not FORBIDDEN & set(out + err)
    assert "[red][link=http://x]a[/link] [/b] :smile:" in out.replace("\n", " ")


def test_faults_do_not_act_either(tmp_path, run):
    (tmp_path / "vehicle.toml").write_text(f'base = "estate-1990s-six"\n[{toml(ACTS + MARKUP)}]\nx = 1\n')
    for file in ("trip.toml", "places.csv", "legs.csv"):
        shutil.copy(MINIMAL / file, tmp_path / file)
    for arguments in (["plan", str(tmp_path)], ["plan", ACTS + MARKUP], ["new", "x", "--example", ACTS], [ACTS]):
        ran = run(*arguments)
        assert ran.code == 2
        assert ran.err
        assert not FORBIDDEN & set(ran.out + ran.err)


def test_a_table_takes_text_as_text():
    from rich.table import Table

    out = io.StringIO()
    table = Table(MARKUP, title=MARKUP)
    table.add_row(f"{ACTS}{MARKUP}")
    Streams(out, None).show(table)
    assert not FORBIDDEN & set(out.getvalue())
    assert out.getvalue().count("[red]") == 3


# --- files for other programs ---


def test_a_spreadsheet_finds_no_formula(planned):
    rows = list(csv.reader(io.StringIO((planned[0] / "out" / "forecast.csv").read_text(encoding="utf-8"))))
    cells = [cell for row in rows for cell in row]
    assert f"'{FORMULA}" in cells
    assert f"'@{MARKUP}" in cells
    for cell in cells:
        assert not cell.startswith(("=", "+", "@", "\t", "\r"))
        assert not cell.startswith("-") or float(cell) < 0.0


def test_files_can_be_read_and_hold_nothing_that_acts(planned):
    out = planned[0] / "out"
    assert ET.parse(out / "trip.gpx").getroot().tag.endswith("gpx")
    text = (out / "trip.ics").read_bytes().decode()
    assert not {line for line in text.split("\r\n") if "\r" in line or "\n" in line}
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))
    names = [event["summary"] for event in icalendar.Calendar.from_ical(text).walk("VEVENT")]
    assert any(FORMULA in str(name) for name in names)
    assert json.loads((out / "trip.geojson").read_text())["features"]
    plan = (out / "plan.json").read_text()
    assert json.loads(plan)["vehicle"] == " ".join((ACTS + MARKUP).split())
    for name in ("trip.gpx", "trip.geojson", "plan.json"):
        assert not (FORBIDDEN - {"\r"}) & set((out / name).read_text())


def test_json_writes_what_acts_as_its_code():
    text = to_json({"a": ACTS})
    assert not FORBIDDEN & set(text)
    assert json.loads(text) == {"a": ACTS}


def test_printable_keeps_what_people_write():
    kept = "Åre, 東京, Ñuñoa, हिन्दी, \U0001f697, a\u200db, tab\tand\nline"
    assert printable(kept) == kept
    assert not FORBIDDEN & set(printable(ACTS))
