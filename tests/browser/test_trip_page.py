"""The worked example's page in a real browser: what is seen first, the view from where one is, what is told there.

On paper and for readers who cannot see it: test_trip_paper.py.
"""

import re

import pytest
from browsing import DESKTOP, PHONE, go_to, needs_browser, turn_to
from packed import unpacked

LARGEST_BYTES = 2_000_000

pytestmark = needs_browser


# --- what is seen first ---


def test_the_page_is_small(trip_page):
    assert trip_page.stat().st_size < LARGEST_BYTES


@pytest.mark.parametrize("size", [PHONE, DESKTOP])
def test_the_outcome_is_short_and_the_map_comes_soon(opened, size, grade):
    page = opened(size)
    lines = page.locator(".facts li").all_inner_texts() + page.locator(".spots button").all_inner_texts()
    assert 2 <= len(lines) <= 4
    assert all(len(line) <= 180 for line in lines)  # place, hour, figures, and what helps
    assert page.locator("#map_route").bounding_box()["y"] < 0.4 * size["height"]
    named = page.locator(".pin-name:visible", has_text=grade.top).locator("small").inner_text()
    assert re.match(r"mi \d,\d{3}: [a-z ]+ \d{3}–\d{3} °F", named)
    assert page.trouble == []


@pytest.mark.parametrize("size", [PHONE, DESKTOP])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_thin_place_stands_out_on_the_whole_route(opened, size, scheme):
    page = opened(size, color_scheme=scheme)
    discs = page.locator(":is(.pin-hot, .pin-over) .disc:visible")
    assert discs.count() >= 1
    box = discs.first.bounding_box()
    assert min(box["width"], box["height"]) >= 28
    middle = [box["x"] + box["width"] / 2, box["y"] + box["height"] / 2]
    on_top = page.evaluate(
        "([x, y]) => document.elementFromPoint(x, y).closest('.pin-hot, .pin-over') !== null", middle
    )
    assert on_top
    alarm, route = (
        page.evaluate(f"map => Number(document.querySelector('.leaflet-{n}-pane').style.zIndex)")
        for n in ("alarm", "route")
    )
    assert alarm > route
    assert page.locator(".leaflet-alarm-pane path:is(.level-thin, .level-exceeded)").count() >= 1


@pytest.mark.parametrize("size", [PHONE, DESKTOP])
def test_a_spot_leads_to_its_day_and_says_what_to_do(opened, size, grade):
    page = opened(size)
    page.locator(".spots button").first.click()
    page.wait_for_function("id => document.activeElement.id === id", arg=f"{grade.sheet}-title")
    sheet = page.locator(f"#{grade.sheet}")
    words = page.locator(".spots button").first.text_content()
    said = re.search(r": ([a-z ]+) (\d+) °F expected, up to (\d+) at 90 %, limit (\d+): (thin|exceeded)", words)
    fluid, expected, upper, limit = said[1].capitalize(), *said.groups()[1:4]
    shown = re.search(rf"{fluid} (\d+) up to (\d+) limit (\d+)", sheet.locator(".readout").inner_text())
    assert [int(one) for one in shown.groups()] == pytest.approx([int(expected), int(upper), int(limit)], abs=3)
    assert "costs" in sheet.locator(".todo").inner_text()
    said = page.locator("#now-said").text_content()
    assert grade.top in said
    assert "costs" in said
    if size == DESKTOP:
        popup = page.locator(".leaflet-popup-content")
        assert grade.top in popup.locator("h3").inner_text()
        page.wait_for_timeout(500)  # the popup fades in and the map makes room for it
        map_box, popup_box = page.locator("#map_route").bounding_box(), popup.bounding_box()
        assert popup_box["y"] >= map_box["y"]
    page.keyboard.press("Escape")
    page.wait_for_function("() => document.activeElement.closest('.spots') !== null")
    assert page.evaluate("document.body.dataset.view") == "map"


@pytest.mark.parametrize("size", [PHONE, {"width": 360, "height": 780}])
def test_a_day_is_one_phone_screen(opened, size, grade):
    page = opened(size, has_touch=True, is_mobile=True)
    turn_to(page, grade.sheet)
    bottom = page.locator(".tabs").bounding_box()["y"]
    last = page.locator(f"#{grade.sheet} .way tbody tr").last.bounding_box()
    assert last["y"] + last["height"] <= bottom + (0 if size == PHONE else 130)
    assert page.locator(f"#profile-{grade.day} svg").bounding_box()["height"] > 200
    page.locator(f"#{grade.sheet} .todo p").first.wait_for()
    assert page.evaluate("scrollY") == 0


@pytest.mark.parametrize("size", [PHONE, {"width": 360, "height": 740}])
def test_now_answers_six_questions_on_the_first_screen(opened, size, grade):
    page = opened(size, has_touch=True, is_mobile=True)
    go_to(page, grade.foot)
    heads = page.locator("#now-ahead dt").all_inner_texts()
    assert heads[:2] == ["Next fuel", "Next day starts"]
    answers = (
        "#now-grade h3",
        "#now-gauges table",
        "#now-advice li",
        "#now-ahead dd >> nth=0",
        "#now-ahead dd >> nth=1",
    )
    bottom = page.locator(".tabs").bounding_box()["y"]
    for answer in answers:
        box = page.locator(answer).first.bounding_box()
        assert box["y"] + box["height"] <= bottom, answer
        assert box["x"] + box["width"] <= size["width"], answer
    assert page.evaluate("scrollY") == 0
    page.locator(".tabs a", has_text="Alarms").click()  # alarm settings: one tap
    page.locator("#view-alarms").wait_for()
    card = page.locator("#view-alarms table").first.bounding_box()
    assert card["y"] + card["height"] <= bottom


def test_there_is_one_caution_for_every_gauge(opened, scene):
    page = opened(PHONE)
    card = (
        page.locator("#view-alarms table")
        .first.locator("tbody tr")
        .evaluate_all("rows => rows.map(r => [...r.cells].map(c => c.textContent))")
    )
    wanted = {row[0]: row[1] for row in card}
    assert page.locator("#view-alarms table th").nth(1).text_content() == "set at: caution"
    tables = page.get_by_role("region", name=re.compile("Highest today"), include_hidden=True)
    assert tables.count() == len(scene["days"])
    found = tables.locator("tbody tr").evaluate_all(
        "rows => rows.map(r => [r.cells[0].textContent, r.cells[4].textContent])"
    )
    assert len(found) >= 4 * tables.count()
    assert all(wanted[name] == caution for name, caution in found)
    channels = [one for one in scene["teaching"]["channels"] if one.get("caution") is not None]
    assert channels
    for one in channels:
        assert round(one["caution"]) == int(wanted[one["label"].lower()])


def swipe(page, x, y, far):
    """Drag one finger upwards, as the browser's own input does."""
    session = page.context.new_cdp_session(page)
    session.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
    for step in range(1, 11):
        points = [{"x": x, "y": y - far * step / 10}]
        session.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": points})
        page.wait_for_timeout(20)
    session.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def test_one_finger_on_the_map_scrolls_the_page_and_a_mouse_drags_it(opened):
    page = opened(PHONE, has_touch=True, is_mobile=True)
    turn_to(page, "map")
    box = page.locator("#map_route").bounding_box()
    pane = "() => document.querySelector('.leaflet-map-pane').style.transform"
    before = page.evaluate(pane)
    swipe(page, box["x"] + 30, box["y"] + box["height"] - 60, 150)
    page.wait_for_function("() => scrollY > 60")
    assert page.evaluate(pane) == before
    assert "Two fingers" in page.locator(".leaflet-control-attribution").inner_text()
    desk = opened(DESKTOP)
    turn_to(desk, "day-7")
    box, before = desk.locator("#map_route").bounding_box(), desk.evaluate(pane)
    desk.mouse.move(box["x"] + 60, box["y"] + 60)
    desk.mouse.down()
    desk.mouse.move(box["x"] + 120, box["y"] + 120, steps=4)
    desk.mouse.up()
    assert desk.evaluate(pane) != before


@pytest.mark.parametrize("width", [360, 390, 768, 1280])
def test_no_two_words_of_a_profile_lie_on_each_other(opened, scene, width):
    page = opened({"width": width, "height": 900})
    for day in ("map", *(f"day-{n + 1}" for n in range(len(scene["days"])))):
        turn_to(page, day)
        number = 0 if day == "map" else int(day.split("-")[1])
        texts = page.locator(f"#profile-{number} svg text:is(.part-word, .line-names text)")
        page.wait_for_function("n => document.querySelector(`#profile-${n} svg text`) !== null", arg=number)
        boxes = texts.evaluate_all(
            "all => all.map(e => [e.textContent, e.getBBox()])"
            ".map(([words, b]) => [words, b.x, b.y + 3, b.x + b.width, b.y + b.height - 3])"
        )
        assert len(boxes) >= 3
        for k, one in enumerate(boxes):
            for other in boxes[k + 1 :]:
                apart = one[1] >= other[3] or one[3] <= other[1] or one[2] >= other[4] or one[4] <= other[2]
                assert apart, (day, one, other)


def test_the_ground_is_shaded_where_it_helps_and_clear_where_it_blurs(opened):
    page = opened(DESKTOP)
    turn_to(page, "map")
    shade = page.locator(".leaflet-relief-pane img")
    assert shade.evaluate("e => e.complete && e.naturalWidth > 300")
    assert float(shade.evaluate("e => getComputedStyle(e).opacity")) == 1.0
    for _ in range(12):
        page.locator("#zoom-in").click()
        page.wait_for_timeout(300)
    assert float(shade.evaluate("e => getComputedStyle(e).opacity")) == 0.0
    assert page.trouble == []


# --- from where the reader is ---


def test_the_gauges_read_what_the_data_says(opened, scene, grade):
    page = opened(PHONE)
    go_to(page, grade.top)
    point = grade.top_point
    rows = page.locator("#now-gauges tbody tr")
    assert rows.count() == len(scene["track"]["series"])
    for index, series in enumerate(scene["track"]["series"]):
        cells = rows.nth(index).locator("td").all_inner_texts()
        wanted = [unpacked(series[name])[point] for name in ("values", "high") if name in series]
        assert [float(one) for one in re.findall(r"\d+", cells[0])] == pytest.approx(wanted, abs=0.51)
    headings = page.locator("#now-gauges th[scope=col]").all_inner_texts()
    assert headings == ["Gauge", "Here (up to)", "On grade (up to)", "Limit", "Margin there"]
    assert "90 % confidence" in page.locator("#now-gauges").inner_text()


def test_the_next_grade_is_told_with_its_hottest_figures(opened, scene, grade):
    page = opened(PHONE)
    go_to(page, grade.foot)
    words = page.locator("#now-grade").inner_text()
    assert f"Next grade: {grade.top}" in words
    assert re.search("Thin margin|Limit exceeded", words)
    assert re.search(
        r"\d+ mi to its foot, \d+ min, \w{3} \d\d:\d\d MDT by the plan; up \d,\d{3} ft in \d+\.\d mi", words
    )
    series = next(one for one in scene["track"]["series"] if one["label"] == "Coolant")
    cells = page.locator("#now-gauges tbody tr", has_text="Coolant").locator("td").all_inner_texts()
    expected, upper = (unpacked(series[name]) for name in ("values", "high"))
    part = slice(grade.start, grade.end + 40)  # ten minutes after the top
    figures = [float(one) for one in re.findall(r"\d+", cells[1])]
    assert figures == pytest.approx([max(expected[part]), max(upper[part])], abs=0.51)
    go_to(page, "Astoria")
    assert "none" in page.locator("#now-grade").inner_text()


def test_what_lies_behind_is_no_longer_advised(opened, grade):
    page = opened(PHONE)
    go_to(page, grade.foot)
    assert "costs" in page.locator("#now-advice").inner_text()
    go_to(page, grade.after)
    assert page.locator("#now-advice").inner_text() == "Nothing more today: what was to be done lies behind you."


def test_what_lies_ahead_is_told_with_distance_and_time(opened, scene, grade):
    page = opened(PHONE)
    go_to(page, grade.foot)
    heads = page.locator("#now-ahead dt").all_inner_texts()
    words = dict(zip(heads, page.locator("#now-ahead dd").all_inner_texts(), strict=True))
    assert re.search(rf"{grade.top}: .*\. \d+ mi ahead, \d+ min, \w{{3}} \d\d:\d\d MDT", words["Next hot place"])
    night = scene["days"][grade.day - 1]["title"].split(" to ")[-1]
    assert re.fullmatch(rf"\w{{3}} 0\d:\d\d MDT at {night}", words["Next day starts"])
    assert "mi ahead" in words["Next stop of the plan"]
    assert "gal" in words["Next fuel"]
    assert "parking" in words["Next turn-out"]
    assert words["Turn-out behind you"].endswith("back.")
    assert "costs" in page.locator("#now-advice li").first.inner_text()
    go_to(page, "Astoria")
    words = page.locator("#now-ahead dd").all_inner_texts()
    assert words[0] == words[1] == "none"


def test_picking_moves_the_marks_shows_the_day_and_is_spoken_once(opened, grade):
    page = opened(DESKTOP)
    page.locator("#day-choice").select_option("0")
    before = page.locator("path.cursor").get_attribute("d")
    assert page.locator("#now-said").inner_text() == ""
    go_to(page, grade.top)
    assert page.locator("path.cursor").get_attribute("d") != before
    assert page.locator("#day-choice").input_value() == str(grade.day - 1)
    said = page.locator("#now-said")
    assert said.get_attribute("aria-live") == "polite"
    assert "Coolant" in said.inner_text()


def test_the_view_follows_keys_and_map(opened):
    page = opened(DESKTOP)
    turn_to(page, "now")
    page.locator("#now-place").focus()
    page.keyboard.press("ArrowDown")
    assert page.locator("#now-place").input_value() == "1"
    first = page.locator("#now-where").inner_text()
    x, y = page.evaluate(
        """() => {
          const line = document.querySelector("path.route-plain"), length = line.getTotalLength();
          for (let share = 0.9; share > 0.1; share -= 0.01) {
            const at = line.getPointAtLength(share * length).matrixTransform(line.getScreenCTM());
            if (document.elementFromPoint(at.x, at.y)?.matches("path.hit")) return [at.x, at.y];
          }
        }"""
    )
    page.mouse.move(x, y)
    assert page.locator("#now-where").inner_text() == first  # pointing alone does not move the reader
    page.mouse.click(x, y)
    assert page.locator("#now-where").inner_text() != first
    assert page.trouble == []


def test_the_place_picked_survives_a_reload_on_this_device(opened, grade):
    page = opened(PHONE)
    go_to(page, grade.top)
    page.reload()
    turn_to(page, "now")
    assert page.locator("#now-place option:checked").inner_text().endswith(grade.top)
    assert "picked last" in page.locator("#now-note").inner_text()


def test_the_page_opens_at_today(browse, trip_page, grade, scene):
    minutes = unpacked(scene["track"]["minutes"])
    passed = [one for one in scene["places"] if one["point"] < grade.top_point][-1]["title"]
    on_the_climb = scene["start_s"] + 60.0 * minutes[grade.top_point - 2]
    first, week_s = scene["places"][0]["title"], 7 * 86400.0
    for moment_s, view, place in (
        (on_the_climb, "now", passed),
        (scene["start_s"] - week_s, "map", first),
        (scene["start_s"] + 60.0 * minutes[-1] + week_s, "map", first),
    ):
        page = browse(trip_page, PHONE)
        page.clock.set_fixed_time(moment_s)
        page.reload()
        assert page.evaluate("document.body.dataset.view") == view
        assert page.locator("#now-place option:checked").text_content().endswith(place)
        if view == "now":
            assert "clock" in page.locator("#now-note").inner_text()
            assert page.locator(".tabs a").nth(1).inner_text() == f"Day {grade.day}"


def test_the_position_is_asked_only_when_wanted_and_stays_here(opened, trip_page, grade, scene):
    point = next(one["point"] for one in scene["places"] if one["title"] == grade.top)
    here = {"latitude": unpacked(scene["track"]["lat"])[point], "longitude": unpacked(scene["track"]["lon"])[point]}
    page = opened(PHONE, geolocation=here, permissions=["geolocation"])
    turn_to(page, "now")
    assert page.locator("#now-where").inner_text().startswith("0 mi")
    page.locator("#now-find").click()
    page.wait_for_function("() => document.getElementById('now-note').textContent.startsWith('Found')")
    assert page.locator("#now-place option:checked").inner_text().endswith(grade.top)
    assert page.requested == [trip_page.as_uri()]
    assert page.trouble == []


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"geolocation": {"latitude": 47.6, "longitude": -100.0}, "permissions": ["geolocation"]}, "off the route"),
        ({}, "No position"),
    ],
    ids=["far from the route", "none"],
)
def test_a_position_that_does_not_help_is_told(opened, options, said):
    page = opened(PHONE, **options)
    turn_to(page, "now")
    page.locator("#now-find").click()
    page.wait_for_function("said => document.getElementById('now-note').textContent.includes(said)", arg=said)


def test_the_band_is_drawn_up_to_its_edge_and_explained(opened, grade):
    page = opened(DESKTOP)
    turn_to(page, grade.sheet)
    assert (
        page.locator(f"#profile-{grade.day} path.band").count()
        == page.locator(f"#profile-{grade.day} path.edge").count()
        == 2
    )
    page.locator(f"#lines-{grade.day} summary").click()
    assert (
        "Shaded, from the line up: not exceeded with 90 % "
        "confidence." in page.locator(f"#lines-{grade.day}").inner_text()
    )
    assert page.locator(f"#profile-{grade.day} :is(.part-thin, .part-exceeded)").count() >= 1


def test_times_say_their_zone_where_the_trip_changes_it(opened):
    page = opened(DESKTOP)
    hours = page.locator(".sheet.day .hours").all_text_contents()
    changes = [re.match(r"\d\d:\d\d ([A-Z]{3}) to \d\d:\d\d ([A-Z]{3})", words) for words in hours]
    days = [number for number, found in enumerate(changes, 1) if found and found[1] != found[2]]
    assert days
    for day in days:
        turn_to(page, f"day-{day}")
        times = page.locator(f"#day-{day} .way .w-at").all_inner_texts()[1:]
        told = [time.split()[1:] for time in times if " " in time]
        assert times[0].split()[1:] == told[0]
        assert len(told) == 2  # at the start and where the clock changes
        assert told[0] != told[1]
