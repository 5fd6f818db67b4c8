"""The worked example's page in a real browser: what is seen first, the view from where one is, paper, access.

One plan serves all tests of this file. Sizes of paper: US Letter and ISO A4, the larger of their margins.
"""

import io
import json
import math
import re
import shutil
from importlib.resources import files
from pathlib import Path

import pytest
from browsing import DESKTOP, PHONE, needs_browser
from packed import unpacked

from planner.cli.console import EXCEEDED
from planner.cli.main import main

EXAMPLE = Path(__file__).parents[2] / "data" / "examples" / "wilmington-astoria"
PASS = "North La Veta Pass"
LARGEST_BYTES = 2_000_000

pytestmark = needs_browser


@pytest.fixture(scope="module")
def trip_page(tmp_path_factory):
    folder = tmp_path_factory.mktemp("page") / "trip"
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("out"))
    assert main(["plan", str(folder)], io.StringIO(), io.StringIO()) <= EXCEEDED
    return folder / "out" / "trip.html"


@pytest.fixture
def opened(browse, trip_page):
    return lambda size=DESKTOP, **options: browse(trip_page, size, offline=True, **options)


def scene_of(trip_page):
    text = trip_page.read_text(encoding="utf-8")
    return json.loads(re.search(r'id="scene-data">(.*?)</script>', text, re.DOTALL)[1])


def go_to(page, name):
    options = page.locator("#now-place option").all_inner_texts()
    page.locator("#now-place").select_option(str(next(i for i, words in enumerate(options) if words.endswith(name))))


# --- what is seen first ---


def test_the_page_is_small(trip_page):
    assert trip_page.stat().st_size < LARGEST_BYTES


@pytest.mark.parametrize("size", [PHONE, DESKTOP])
def test_the_outcome_is_short_and_the_map_comes_soon(opened, size):
    page = opened(size)
    lines = page.locator(".facts li").all_inner_texts() + page.locator(".spots button").all_inner_texts()
    assert 2 <= len(lines) <= 4
    assert all(len(line) <= 100 for line in lines)
    assert page.locator("#map_route").bounding_box()["y"] < 0.4 * size["height"]
    assert page.trouble == []


@pytest.mark.parametrize("size", [PHONE, DESKTOP])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_thin_place_stands_out_on_the_whole_route(opened, size, scheme):
    page = opened(size, color_scheme=scheme)
    discs = page.locator(".pin-hot .disc:visible")
    assert discs.count() >= 1
    box = discs.first.bounding_box()
    assert min(box["width"], box["height"]) >= 28
    middle = [box["x"] + box["width"] / 2, box["y"] + box["height"] / 2]
    on_top = page.evaluate("([x, y]) => document.elementFromPoint(x, y).closest('.pin-hot') !== null", middle)
    assert on_top
    alarm, route = (
        page.evaluate(f"map => Number(document.querySelector('.leaflet-{n}-pane').style.zIndex)")
        for n in ("alarm", "route")
    )
    assert alarm > route
    assert page.locator(".leaflet-alarm-pane path.level-thin").count() >= 1


def test_a_spot_leads_to_its_place_and_says_what_to_do(opened):
    page = opened(PHONE)
    page.locator(".spots button").first.click()
    page.wait_for_timeout(500)  # the popup fades in and the map makes room for it
    popup = page.locator(".leaflet-popup-content")
    assert PASS in popup.locator("h3").inner_text()
    assert "limit" in popup.inner_text()
    assert "instead of" in popup.inner_text()
    map_box, popup_box = page.locator("#map_route").bounding_box(), popup.bounding_box()
    assert popup_box["y"] >= map_box["y"]
    assert popup_box["x"] + popup_box["width"] <= map_box["x"] + map_box["width"]


# --- from where the reader is ---


def test_the_gauges_read_what_the_data_says(opened, trip_page):
    page, scene = opened(PHONE), scene_of(trip_page)
    go_to(page, PASS)
    point = next(one["point"] for one in scene["places"] if one["title"] == PASS)
    rows = page.locator("#now-gauges tbody tr")
    assert rows.count() == len(scene["track"]["series"])
    for index, series in enumerate(scene["track"]["series"]):
        cells = rows.nth(index).locator("td").all_inner_texts()
        wanted = [unpacked(series[name])[point] if name in series else math.nan for name in ("values", "high", "limit")]
        for shown, value in zip(cells, wanted, strict=True):
            assert shown == "–" if math.isnan(value) else float(shown) == pytest.approx(value, abs=0.51)
    headings = page.locator("#now-gauges th[scope=col]").all_inner_texts()
    assert headings == ["Gauge", "Expect", "Up to", "Limit"]
    assert "90 % confidence" in page.locator("#now-gauges").inner_text()


def test_what_lies_ahead_is_told_with_distance_and_time(opened):
    page = opened(PHONE)
    go_to(page, "Walsenburg")
    heads = page.locator("#now-ahead dt").all_inner_texts()
    words = dict(zip(heads, page.locator("#now-ahead dd").all_inner_texts(), strict=True))
    assert re.search(rf"{PASS}: .*\. 2\d mi ahead in \d+ min, Sun \d\d:\d\d by the plan", words["Next thin place"])
    assert "mi ahead" in words["Next stop of the plan"]
    assert "gal" in words["Next fuel"]
    assert "parking" in words["Next turn-out"]
    assert words["Turn-out behind you"].endswith("back.")
    assert "instead of" in page.locator("#now-advice li").first.inner_text()
    go_to(page, "Astoria")
    words = page.locator("#now-ahead dd").all_inner_texts()
    assert words[0] == words[1] == "none"


def test_picking_moves_the_marks_and_is_spoken_once(opened):
    page = opened(PHONE)
    before = page.locator("path.cursor").get_attribute("d")
    assert page.locator("#now-said").inner_text() == ""
    go_to(page, PASS)
    assert page.locator("path.cursor").get_attribute("d") != before
    said = page.locator("#now-said")
    assert said.get_attribute("aria-live") == "polite"
    assert "Differential" in said.inner_text()
    assert int(page.locator("#along").input_value()) > 0


def test_the_view_follows_keys_chart_and_map(opened):
    page = opened(DESKTOP)
    page.locator("#now-place").focus()
    page.keyboard.press("ArrowDown")
    assert page.locator("#now-place").input_value() == "1"
    first = page.locator("#now-where").inner_text()
    page.locator("#along").focus()
    page.keyboard.press("PageUp")
    second = page.locator("#now-where").inner_text()
    assert second != first
    page.locator("#chart").scroll_into_view_if_needed()
    box = page.locator("#chart svg").bounding_box()
    page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 60)
    assert page.locator("#now-where").inner_text() == second  # pointing alone does not move the reader
    page.mouse.down()
    page.mouse.up()
    third = page.locator("#now-where").inner_text()
    assert third != second
    page.locator("#map_route").scroll_into_view_if_needed()
    spot = page.locator(".pin-night .disc:visible").first.bounding_box()
    page.mouse.click(spot["x"] + spot["width"] / 2, spot["y"] + spot["height"] + 20)
    assert page.locator("#now-where").inner_text() != third
    assert page.trouble == []


def test_a_place_of_another_day_shows_that_day(opened):
    page = opened(DESKTOP)
    page.locator("#day-choice").select_option("0")
    go_to(page, PASS)
    assert page.locator("#day-choice").input_value() == "5"


def test_the_position_is_asked_only_when_wanted_and_stays_here(opened, trip_page):
    scene = scene_of(trip_page)
    point = next(one["point"] for one in scene["places"] if one["title"] == PASS)
    here = {"latitude": unpacked(scene["track"]["lat"])[point], "longitude": unpacked(scene["track"]["lon"])[point]}
    page = opened(PHONE, geolocation=here, permissions=["geolocation"])
    assert page.locator("#now-where").inner_text().startswith("0 mi")
    page.locator("#now-find").click()
    page.wait_for_function("document.getElementById('now-note').textContent.startsWith('Found')")
    assert page.locator("#now-place option:checked").inner_text().endswith(PASS)
    assert page.requested == [trip_page.as_uri()]
    assert page.trouble == []


def test_a_position_far_from_the_route_is_told(opened):
    page = opened(PHONE, geolocation={"latitude": 47.6, "longitude": -100.0}, permissions=["geolocation"])
    page.locator("#now-find").click()
    page.wait_for_function("document.getElementById('now-note').textContent.includes('off the route')")


def test_without_a_position_the_reader_is_told_to_pick(opened):
    page = opened(PHONE)
    page.locator("#now-find").click()
    page.wait_for_function("document.getElementById('now-note').textContent.startsWith('No position')")


def test_the_band_is_drawn_up_to_its_edge_and_explained(opened):
    page = opened(DESKTOP)
    assert page.locator("#chart path.band").count() == page.locator("#chart path.edge").count() == 4
    assert "Shaded, from the line up: not passed with 90 % confidence." in page.locator("#chart-note").inner_text()


# --- without script, on paper ---


def test_without_script_a_picture_and_the_tables_remain(opened):
    page = opened(PHONE, java_script_enabled=False)
    box = page.locator("svg.still").bounding_box()
    assert box["width"] <= 390
    assert box["height"] > 100
    assert page.locator("svg.still text", has_text=PASS).count() == 1
    assert page.locator(".spots li").first.is_visible()
    assert not page.locator("#now-place").is_visible()


def sheets(pdf):
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


@pytest.mark.parametrize("paper", ["Letter", "A4"])
def test_every_day_fits_one_sheet(opened, trip_page, paper):
    page = opened(DESKTOP)
    assert sheets(page.pdf(format=paper)) <= 12 + 8
    page.evaluate("for (const one of document.querySelectorAll('.appendix, footer')) one.remove()")
    whole = page.pdf(format=paper)
    days = len(scene_of(trip_page)["days"])
    # The same without one day is one sheet shorter: every day takes exactly one.
    for day in range(days):
        page.evaluate("day => document.getElementById(`day-${day}`).remove()", day)
        assert sheets(page.pdf(format=paper)) == sheets(whole) - day - 1, f"day {day + 1}"


def test_the_sheet_of_a_day_says_what_the_driver_needs(opened):
    page = opened(DESKTOP)
    page.emulate_media(media="print")
    sheet = page.locator("#day-5")
    words = sheet.inner_text()
    for wanted in ("Sunrise", "sunset", "of driving", "Legs", "Alarms today", "caution", "limit", "What helps", PASS):
        assert wanted in words
    assert "break" in words
    assert "fuel 12 gal" in words
    assert "A forecast is not permission" in words
    assert page.locator(".route .print-only").is_visible()
    assert "A forecast is not permission" in page.locator(".route .print-only").inner_text()
    assert not page.locator(".now").is_visible()
    assert page.locator("#sheets table caption").first.inner_text().startswith("Alarm card")
    rows = page.locator("#sheets table").first.locator("tbody tr").all_inner_texts()
    assert len(rows) == 7  # four fluids, oil pressure at idle and cruise, drop over the cooler
    assert "psi" in rows[4]


@pytest.mark.parametrize("width", [360, 390])
def test_the_tables_of_the_card_and_of_a_day_show_every_column_on_a_phone(opened, width):
    page = opened({"width": width, "height": 844})
    for title in ("Alarm card", "Day 6.*Legs", "Day 6.*Alarms today", "Day 6.*What helps"):
        frame = page.get_by_role("region", name=re.compile(title)).first
        beyond = """frame => [...frame.querySelectorAll('th, td')]
            .filter(e => e.textContent && e.getBoundingClientRect().right > frame.getBoundingClientRect().right + 1)
            .map(e => e.textContent)"""
        assert frame.evaluate(beyond) == [], title
    words = page.locator("#day-5 .table-frame").last.locator("tbody td:nth-child(2)").first
    assert words.bounding_box()["width"] > 100
    assert page.get_by_role("region", name=re.compile("Day 6.*Legs")).get_by_role("row").count() > 2


# --- access ---


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESKTOP])
def test_no_barrier_is_found(opened, size, scheme):
    # axe-core comes inside a package of the development extras; its rules are those of WCAG and best practice.
    pytest.importorskip("axe_playwright_python")
    page = opened(size, color_scheme=scheme)
    page.evaluate((files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8"))
    page.locator(".spots button").first.click()
    page.wait_for_timeout(500)  # text that fades in has too little contrast for a moment
    found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")
    assert len(found["passes"]) > 20
    bad = [(one["id"], one["impact"], [node["target"] for node in one["nodes"]][:3]) for one in found["violations"]]
    assert bad == []


def test_the_barrier_check_can_fail(opened):
    pytest.importorskip("axe_playwright_python")
    page = opened(DESKTOP)
    page.evaluate((files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8"))
    page.evaluate("document.getElementById('now-find').textContent = ''")
    found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")
    assert "button-name" in [one["id"] for one in found["violations"]]
