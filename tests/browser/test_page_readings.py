"""Gauges read on the way, in a real browser: the page learns from them, keeps them, and gives them back as a file.

The trip is the passes of the Alps with a trailer, so that some margins are thin and some limits passed. The page's
figures are held against the program's own, made anew from the file which the page wrote; docs/make_page_check.py does
the same many times. What a confirming reading may do is the case of tests/planner/replan/test_gauges.py.
"""

import json
import re
from dataclasses import replace
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import numpy as np
import pytest
from browsing import DESKTOP, PHONE, barriers, go_to, needs_browser, turn_to

from maps import basemap, page
from planner.analysis.margins import find_margins, fluids_of
from planner.files.folder import example_folder
from planner.files.reading import Problems
from planner.files.readings import GAUGES, parse_readings
from planner.forecast.assemble import find_route, make_forecast, read_inputs, taught
from planner.forecast.run import as_described
from planner.model import paths
from planner.model.display import units_of
from planner.output.mapscene import make_scene
from planner.output.report import make_report

CHECK = Path(__file__).parents[2] / "docs" / "make_page_check.py"

FURKA, DAVOS = "Furkapass", "Davos"
COOLER = {"coolant": "88", "oil": "101", "transmission": "82", "differential": "82", "air": "9"}
AGREED_K, SHARE = 1.5, 0.9
FEW_SHARE = 0.75  # of few tries with a heavier trailer: nine in ten in docs/page-check.md, less half of its misses

pytestmark = needs_browser


@pytest.fixture(scope="module")
def inputs():
    return read_inputs(example_folder("alps")).changed({"trailer.mass": "1000 kg", "trailer.drag_area": "3 m^2"})


@pytest.fixture(scope="module")
def outlook(inputs):
    return make_forecast(inputs)


@pytest.fixture(scope="module")
def trip_page(outlook, tmp_path_factory):
    scene = make_scene(make_report(outlook, remedies=False))
    ground = basemap.load(paths.data_folder() / "basemap", scene.bounds(), scene.route())
    path = tmp_path_factory.mktemp("readings") / "trip.html"
    path.write_text(page.render(scene, basemap=ground), encoding="utf-8")
    return path


@pytest.fixture
def opened(browse, trip_page):
    def open_at(place=FURKA, size=PHONE, path=trip_page, **options):
        tab = browse(path, size, **options)
        go_to(tab, place)
        return tab

    return open_at


def take(tab, values):
    """Type numbers into the fields and take them."""
    if not tab.locator("#read-gauges").evaluate("one => one.open"):
        tab.locator("#read-gauges summary").click()
    for name, value in values.items():
        tab.locator(f"#read-form [name={name}]").fill(value)
    tab.locator("#read-form button").click()


def legs_ahead(tab):
    """Rows of the table of legs left today."""
    return [
        row.split("\t")
        for row in tab.locator("#legs-table tbody tr").evaluate_all(
            "rows => rows.map(row => [...row.cells].map(cell => cell.textContent).join('\\t'))"
        )
    ]


def gauges(tab):
    """The table of gauges: expected here, expected and upper on the grade, limit, word of the margin."""
    found = {}
    for row in tab.locator("#now-gauges tbody tr").all_inner_texts():
        name, here, grade, limit, margin = row.split("\t")
        numbers = [int(one) for one in re.findall(r"\d+", f"{here} {grade}")]
        found[name] = (*numbers, limit, margin)
    return found


def everything(tab):
    """All that readings can move."""
    return tab.evaluate(
        "() => [...document.querySelectorAll('#now-gauges, #legs-table, .way tbody')].map(e => e.textContent)"
    )


def test_readings_move_all_that_lies_ahead_and_are_listed(opened, trip_page):
    tab = opened()
    before, way = gauges(tab), tab.locator("#day-2 .way").text_content()
    take(tab, COOLER)
    after = gauges(tab)
    assert after["Engine oil"][2] < before["Engine oil"][2]  # expected on the grade
    assert after["Engine oil"][3] < before["Engine oil"][3]  # up to
    assert after["Air"][0] < before["Air"][0]
    assert tab.locator("#day-2 .way").text_content() != way  # another day of the same car
    line = tab.locator("#read-list li").inner_text()
    assert FURKA in line
    assert "engine oil 101 (" in line
    assert "below expected" in line
    assert "runs" in tab.locator("#read-learnt").inner_text()
    assert "5 gauge readings of this device" in tab.locator("#moved").inner_text()
    tab.get_by_role("button", name="2 h late").click()
    tab.locator("#read-copy").click()
    assert tab.requested == [trip_page.as_uri()]
    assert tab.trouble == []


def test_a_reading_is_removed_without_a_trace(opened):
    tab = opened()
    before = everything(tab)
    take(tab, COOLER)
    assert everything(tab) != before
    tab.get_by_role("button", name=f"Remove the reading at {FURKA}").click()
    assert everything(tab) == before
    assert tab.locator("#read-list li").count() == 0
    assert tab.locator("#moved").inner_text() == ""
    assert tab.evaluate("document.activeElement.id") == "read-title"


def test_readings_survive_a_reload(opened):
    tab = opened()
    take(tab, COOLER)
    told = everything(tab)
    tab.reload()
    go_to(tab, FURKA)
    assert everything(tab) == told
    assert "1 kept" in tab.locator("#read-title").inner_text()


def test_the_file_is_what_the_program_reads(opened, inputs):
    tab = opened()
    take(tab, COOLER)
    take(tab, {"oil": "99,5"})
    tab.evaluate("location.hash = 'map'")
    tab.locator("#profile-0 svg").click(position={"x": 180, "y": 60})  # somewhere on the way
    turn_to(tab, "now")
    take(tab, {"coolant": "90"})
    with tab.expect_download() as found:
        tab.locator("#read-save").click()
    text = found.value.path().read_text(encoding="utf-8")
    assert found.value.suggested_filename == "readings.csv"
    assert text == tab.locator("#read-text").input_value()
    problems = Problems()
    rows = parse_readings(text, trip=inputs.trip, problems=problems)
    assert list(problems.sentences()) == []
    u = units_of(inputs.trip.units)
    read = {name: round(u.temp(rows[0].temps_k[GAUGES[name]])) for name in COOLER}
    assert read == {name: int(value) for name, value in COOLER.items()}
    assert rows[0].place == "furkapass"
    assert u.temp(rows[1].temps_k["engine_oil"]) == pytest.approx(99.5)
    assert rows[2].place or rows[2].along


def test_the_page_learns_what_the_program_learns(opened, inputs, outlook):
    tab = opened(DAVOS)
    take(tab, {"coolant": "91", "oil": "108", "transmission": "80", "differential": "90", "air": "20"})
    rows = parse_readings(tab.locator("#read-text").input_value(), trip=inputs.trip, problems=Problems())
    again = taught(replace(inputs, trip=replace(inputs.trip, readings=rows)))
    described = as_described(find_route(again), again.car)
    u, keys, off = units_of(inputs.trip.units), fluids_of(outlook), []
    for margin in find_margins(outlook):
        if margin.leg >= 10:  # the day after: how warm the car is at the reading says nothing there
            at = described.where[0, margin.leg, keys.index(margin.fluid)]
            peak = (
                described.limit_k[at, keys.index(margin.fluid)]
                - described.margin_k[0, margin.leg, keys.index(margin.fluid)]
            )
            day = tab.locator(".way tbody tr").evaluate_all(
                "rows => rows.map(r => [...r.cells].map(c => c.textContent))"
            )
            lines = [line for line in day if line[-1] != "start"]
            off.append(float(lines[margin.leg][5 + keys.index(margin.fluid)]) - u.temp(peak))
    assert np.mean(np.abs(off) <= AGREED_K) >= SHARE, np.round(off, 1)


def test_a_late_and_hot_day_with_gauges_is_as_a_new_plan_has_it(opened, inputs, outlook, monkeypatch):
    # docs/page-check.md has 200 such tries; these few hold the page near them, on a car that is past some limits.
    monkeypatch.syspath_prepend(CHECK.parent)  # for the module that the scripts of the pages share
    spec = spec_from_file_location("make_page_check", CHECK)
    check = module_from_spec(spec)
    spec.loader.exec_module(check)
    tries = list(check.tries(outlook, 8, 41))
    found = [
        one
        for tried, said in zip(tries, check.ask_tab(opened(), tries), strict=True)
        for one in check.compare(inputs, outlook, tried, said)
    ]
    upper = np.array([one.upper_k for one in found])
    assert len(found) > 40
    assert np.mean(np.abs(upper) <= AGREED_K) >= FEW_SHARE, np.round(upper, 1)
    assert not [one for one in found if (one.page, one.rerun) == ("ample", "exceeded")]


def test_a_reading_that_confirms_erases_no_warning(opened):
    tab = opened(DAVOS)
    tab.locator("#legs-ahead summary").click()
    before, table = legs_ahead(tab), gauges(tab)
    names = {"Coolant": "coolant", "Engine oil": "oil", "Transmission": "transmission", "Differential": "differential"}
    grave = [row for row in before if row[-1] in ("thin", "exceeded")]
    assert grave
    take(tab, {names[name]: str(row[0]) for name, row in table.items() if name in names})
    after = legs_ahead(tab)
    order = ("ample", "unknown", "thin", "exceeded")
    for was, now in zip(before, after, strict=True):
        level = [row[-1] if row[-1] in order else "ample" for row in (was, now)]
        assert order.index(level[1]) >= order.index(level[0]), (was, now)
    width = [sum(row[3] - row[2] for name, row in rows.items() if name in names) for rows in (table, gauges(tab))]
    assert width[1] < width[0]


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"coolant": "900"}, "Coolant: read “900”, not used; enter a number from -30 to 150 °C."),
        ({"oil": "hot"}, "Engine oil: read “hot”, not used"),
        ({}, "Write at least one number."),
    ],
)
def test_a_silly_reading_is_refused_with_words(opened, values, words):
    tab = opened()
    before = everything(tab)
    take(tab, values)
    assert words in tab.locator("#read-said").inner_text()
    assert everything(tab) == before
    assert tab.locator("#read-list li").count() == 0
    if values:
        assert tab.evaluate("document.activeElement.getAttribute('aria-invalid')") == "true"


def test_a_reading_that_no_such_car_gives_is_told_and_not_believed(opened):
    tab = opened()
    before = gauges(tab)
    take(tab, {"oil": "175"})
    said = tab.locator("#read-said").inner_text()
    assert "too hot for this car here" in said
    assert "not used" in said
    assert "the car has a fault: stop where it is safe" in said
    after = gauges(tab)
    assert [row[:4] for row in after.values()] == [row[:4] for row in before.values()]
    assert "ample" not in after["Engine oil"][-1]  # until the gauge is checked
    assert after["Coolant"] == before["Coolant"]
    assert "not used" in tab.locator("#read-list li").inner_text()


def test_a_day_that_is_different_is_one_tap(opened):
    tab = opened()
    plain = gauges(tab)
    button = tab.get_by_role("button", name="Air +10 °C")
    button.focus()
    tab.keyboard.press("Space")
    assert button.get_attribute("aria-pressed") == "true"
    hot = gauges(tab)
    assert hot["Air"][0] == pytest.approx(plain["Air"][0] + 10, abs=1)
    assert hot["Engine oil"][2] > plain["Engine oil"][2]
    tab.get_by_role("button", name="Air +5 °C").click()
    assert button.get_attribute("aria-pressed") == "false"
    tab.get_by_role("button", name="1 h late").click()
    assert "added up" in tab.locator("#today-note").inner_text()
    assert "1 h late" in tab.locator("#moved").inner_text()
    for name in ("Air +5 °C", "1 h late"):
        tab.get_by_role("button", name=name).click()
    assert gauges(tab) == plain
    assert tab.locator("#moved").inner_text() == ""


def test_the_next_grade_says_whether_alarms_sound_and_what_helps(opened):
    tab = opened(DAVOS)
    words = tab.locator("#now-grade").inner_text()
    assert re.search(r"Alarms at the caution marks: .*(sound|expected)", words)
    advice = tab.locator(".now-todo").evaluate("e => e.textContent")
    assert re.search(r"slower on the grade: ", advice)
    assert tab.locator("#now-gauges th[scope=col]").all_inner_texts()[-1] == "Margin there"


@pytest.fixture
def unknown_road(opened, trip_page, tmp_path):
    """`unknown_road(blind, gauges)`: the page of a road without heights, over which these gauges may rise further."""

    def make(blind, gauges=None):
        text = trip_page.read_text(encoding="utf-8")
        data = re.search(r'id="scene-data">(.*?)</script>', text, re.DOTALL)[1]
        scene = json.loads(data)
        names = [one["key"] for one in scene["teaching"]["channels"]]
        for peak in scene["teaching"]["peaks"]:
            peak[7] = 200.0 if gauges is None or names[peak[1]] in gauges else 0.0
        scene["teaching"]["blind"] = list(range(len(scene["places"]))) if blind == "everywhere" else [0]
        for one in scene["grades"]:
            one["level"] = "unknown"
        path = tmp_path / f"{blind}.html"
        path.write_text(text.replace(data, json.dumps(scene).replace("<", "\\u003c")), encoding="utf-8")
        tab = opened(path=path)
        tab.locator("#legs-ahead summary").click()
        return tab

    return make


def test_what_is_not_known_never_becomes_ample(unknown_road):
    tab = unknown_road("everywhere")
    take(tab, COOLER)
    for name in ("A/C off", "20 % slower on the grade"):
        button = tab.get_by_role("button", name=name, exact=True)
        if button.count():
            button.click()
        levels = [row[-1] for row in legs_ahead(tab)]
        assert levels
        assert set(levels) <= {"unknown", "thin", "exceeded"}
        words = [row[-1] for name, row in gauges(tab).items() if name != "Air"]
        assert not any("ample" in one for one in words)


@pytest.mark.parametrize(("blind", "clears"), [("at the start", True), ("everywhere", False)])
def test_a_gauge_read_behind_an_unknown_road_tells_what_it_did(unknown_road, blind, clears):
    tab = unknown_road(blind, COOLER)
    before = [row[-1] for row in legs_ahead(tab)]
    take(tab, COOLER)
    after = [row[-1] for row in legs_ahead(tab)]
    assert set(before) <= {"unknown", "thin", "exceeded"}
    assert (set(after) <= {"unknown", "thin", "exceeded"}) != clears, (before, after)


def test_a_browser_that_keeps_nothing_still_learns(opened):
    tab = opened()
    tab.add_init_script("Object.defineProperty(window, 'localStorage', { get() { throw new Error('refused'); } });")
    tab.reload()
    go_to(tab, FURKA)
    before = everything(tab)
    take(tab, COOLER)
    assert everything(tab) != before
    assert "keeps nothing" in tab.locator("#read-said").inner_text()
    assert tab.trouble == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESKTOP])
def test_it_fits_the_screen_and_no_barrier_is_found(opened, size, scheme):
    tab = opened(size=size, color_scheme=scheme)
    tab.locator("#legs-ahead summary").click()
    take(tab, COOLER)
    take(tab, {"oil": "900"})
    tab.get_by_role("button", name="Air +10 °C").click()
    assert tab.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert barriers(tab) == []
