"""The worked example's page without script, on paper, and for readers who cannot see it.

Sizes of paper: US Letter and ISO A4, the larger of their margins.
"""

import re

import pytest
from browsing import BEYOND, DESKTOP, PHONE, barriers, needs_browser, turn_to

pytestmark = needs_browser


def test_without_script_a_picture_and_the_tables_remain(opened, grade):
    page = opened(PHONE, java_script_enabled=False)
    box = page.locator("svg.still").bounding_box()
    assert box["width"] <= 390
    assert box["height"] > 100
    assert page.locator("svg.still text", has_text=grade.top).count() == 1
    page.locator(".spots li").first.wait_for()
    page.locator(f"#{grade.sheet}").wait_for()
    page.locator(".notice").wait_for()
    page.locator("#map_route, #now-place").first.wait_for(state="hidden")
    page.locator(".tabs").wait_for(state="hidden")


def sheets(pdf):
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


@pytest.mark.parametrize("paper", ["Letter", "A4"])
def test_every_day_fits_one_sheet_after_the_card_and_the_map(opened, scene, paper):
    page = opened(DESKTOP)
    whole = page.pdf(format=paper)
    days = len(scene["days"])
    assert sheets(whole) <= days + 2
    # The same without one day is one sheet shorter: every day takes exactly one.
    for day in (0, 5, 8):
        page.evaluate("day => document.getElementById(`day-${day + 1}`).replaceChildren()", day)
        page.evaluate("day => { document.getElementById(`day-${day + 1}`).style.breakBefore = 'auto'; }", day)
    assert sheets(page.pdf(format=paper)) == sheets(whole) - 3


def test_the_first_sheet_is_the_card_of_the_car(opened, scene):
    page = opened(DESKTOP)
    page.emulate_media(media="print")
    card = page.locator("#view-alarms")
    words = card.inner_text()
    for wanted in ("Alarm card", "caution", "limit", "psi", "Longest stretches without", "workshop", "engine off"):
        assert wanted in words
    assert "A forecast is not permission" in words
    rows = card.locator("table").first.locator("tbody tr").all_inner_texts()
    fluids = [one["label"].lower() for one in scene["track"]["series"] if "limit" in one]
    names = [row.split("\t")[0] for row in rows]
    gauges = names[: names.index("oil pressure, hot idle")]
    assert {"coolant", "engine oil", "transmission", "differential"} <= set(gauges) <= set(fluids)
    assert "psi" in rows[len(gauges)]
    above = page.evaluate("[...document.querySelectorAll('.view, .sheet.day')].map(e => e.getBoundingClientRect().top)")
    assert card.evaluate("e => e.getBoundingClientRect().top") == min(one for one in above if one)


def test_the_sheet_of_a_day_says_what_the_driver_needs(opened, grade):
    page = opened(DESKTOP)
    page.emulate_media(media="print")
    words = page.locator(f"#{grade.sheet}").inner_text()
    for wanted in ("Sunrise", "sunset", "h driving", "Highest today", "caution", "limit", "What helps", grade.top):
        assert wanted in words
    assert "break" in words
    assert re.search(r"fuel \d+ gal", " ".join(page.locator(".sheet.day").all_inner_texts()))
    assert "A forecast is not permission" in words
    assert "Gauges as read" in page.locator("#day-5").inner_text()
    page.locator(".now").wait_for(state="hidden")


@pytest.mark.parametrize("width", [360, 390])
def test_the_tables_of_the_card_and_of_a_day_show_every_column_on_a_phone(opened, width, grade):
    page = opened({"width": width, "height": 844})
    views = {"alarms": ("Alarm card",), grade.sheet: ("timetable", "Highest today", "What helps"), "map": ("The days",)}
    for view, titles in views.items():
        turn_to(page, view)
        for title in titles:
            frame = page.locator(".table-frame:visible").and_(page.get_by_role("region", name=re.compile(title))).first
            assert frame.evaluate(BEYOND) == [], title
    turn_to(page, grade.sheet)
    assert page.get_by_role("region", name=re.compile(f"Day {grade.day}.*timetable")).get_by_role("row").count() > 2


# --- access ---


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESKTOP])
def test_no_barrier_is_found(opened, size, scheme, grade):
    page = opened(size, color_scheme=scheme)
    for view in ("map", "now", grade.sheet, "alarms"):
        turn_to(page, view)
        if view == "map":
            page.locator(":is(.pin-hot, .pin-over) .disc:visible").first.click()
            page.wait_for_function("() => getComputedStyle(document.querySelector('.leaflet-popup')).opacity === '1'")
        # Text that fades in or out has too little contrast for a moment.
        page.wait_for_function("() => document.getAnimations().every((one) => one.playState !== 'running')")
        assert barriers(page) == [], view


def test_the_barrier_check_can_fail(opened):
    page = opened(DESKTOP)
    turn_to(page, "now")
    page.evaluate("document.getElementById('now-find').textContent = ''")
    assert "button-name" in [rule for rule, *_ in barriers(page)]
