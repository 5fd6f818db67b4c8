"""The page in a real browser: it draws, stays offline, obeys its policy, and runs nothing that names smuggle in.

The scene is invented: a synthetic line across the western USA with waves for series.
"""

import math
from dataclasses import replace
from pathlib import Path

import pytest
from browsing import BEYOND, DESKTOP, PHONE, needs_browser, turn_to

from maps.basemap import load
from maps.page import render
from maps.scene import Advice, Day, Grade, Marker, Scene, Series, Stretch, Table, Track, Way

OUTLINES = Path(__file__).parents[2] / "data" / "basemap"
COUNT = 2000

pytestmark = needs_browser


def wave(length: float, phase: float = 0.0) -> list[float]:
    return [math.sin(2 * math.pi * i / length + phase) for i in range(COUNT)]


def example_series(elevation: tuple[float, ...]) -> tuple[Series, ...]:
    rise = [max(0.0, elevation[min(i + 8, COUNT - 1)] - elevation[i]) / 45 for i in range(COUNT)]
    warm = [one * 6 for one in wave(285)]

    def series(label: str, start: float, gain: float, limit: tuple[float, ...] | None, dash: str) -> Series:
        line = tuple(start + gain * r + w for r, w in zip(rise, warm, strict=True))
        band = {"low": tuple(v - 8 for v in line), "high": tuple(v + 8 for v in line)} if label == "Water" else {}
        return Series(label=label, values=line, unit="°F", limit=limit, dash=dash, **band)

    return (
        series("Water", 196.0, 1.0, tuple(262.0 - 0.0015 * e for e in elevation), ""),
        series("Oil in the engine", 214.0, 1.4, (275.0,) * COUNT, "7 4"),
        series("Gear oil", 178.0, 0.7, (250.0,) * COUNT, "2 3"),
        series("Air outside", 84.0, -0.4, None, "10 3 2 3"),
    )


def example_scene() -> Scene:
    share = [i / (COUNT - 1) for i in range(COUNT)]
    lat = tuple(35.2 + 9.5 * s + 0.5 * a + 0.12 * b for s, a, b in zip(share, wave(330), wave(47), strict=True))
    lon = tuple(-101.8 - 20.5 * s + 0.4 * a for s, a in zip(share, wave(211, 1.0), strict=True))
    elevation = tuple(5200 + 2600 * a + 1300 * b for a, b in zip(wave(310), wave(83, 2.0), strict=True))
    day = tuple(i // 400 for i in range(COUNT))
    towns = ("Amarillo", "Raton Pass", "Salida", "Wolf Creek Pass", "Moab", "Soldier Summit", "Teton Pass", "Boise")
    kinds = ("start", "grade", "night", "grade", "fuel", "service", "stop", "place", "finish")
    markers = tuple(
        Marker(
            lat=lat[i],
            lon=lon[i],
            label=towns[n % len(towns)],
            kind=kinds[n % 9] if 0 < n < 17 else ("start" if n == 0 else "finish"),
            text=f"{towns[n % len(towns)]}: about {elevation[i]:.0f} ft.\nA second sentence follows here.",
            day=day[i],
        )
        for n, i in enumerate(range(0, COUNT, 117))
    )
    roads = tuple(f"{towns[k % len(towns)]} to {towns[(k + 1) % len(towns)]}" for k in range(20))
    levels = ("ample", "unknown", "thin", "ample", "exceeded")
    stretches = tuple(
        Stretch(
            start=100 * k,
            end=min(100 * k + 100, COUNT - 1),
            level=levels[k % 5],
            title=roads[k],
            popup="Smallest margin 11 °F, at 14:20.\nSlow down to 50 mph on the grade.",
        )
        for k in range(20)
    )
    rows = tuple((towns[k % len(towns)], "7:00", f"{k * 61} mi", "Fuel, food", "214 °F") for k in range(8))
    table = Table(title="Legs", headings=("Place", "Leave", "Distance", "Services", "Warmest oil"), rows=rows)
    return Scene(
        title="Amarillo to Astoria in five days, by the high passes",
        lead="Two legs of twenty run thin on margin; leave early on the third day and take the long grade slowly.",
        facts=("1,420 mi, 5 days", "Leaves Tue 6 July, 07:00", "Confidence 90 %"),
        cautions=("A forecast is not permission; the gauge outranks the model.", "Choose the low gear early."),
        track=Track(
            lat=lat,
            lon=lon,
            distance=tuple(1420 * s for s in share),
            elevation=elevation,
            clock=tuple(f"Day {d + 1} {7 + i % 400 // 40:02d}:{i % 40:02d}" for i, d in enumerate(day)),
            group=tuple(i // 100 for i in range(COUNT)),
            day=day,
            series=example_series(elevation),
            group_labels=roads,
        ),
        stretches=stretches,
        markers=markers,
        days=tuple(
            Day(
                title=f"Day {d + 1}: {towns[d % len(towns)]}",
                summary="About 284 mi in 7 hours.",
                advice=(Advice(text="Drink water."), Advice(text="Slow down to 50 mph.", until=400 * d + 100)),
                headings=("at", "place", "mi", "oil", "margin", "then"),
                way=tuple(
                    Way(point=400 * d + 99 * k, cells=(f"{7 + k}:00", towns[k], f"{k * 61}", "214", "31 oil", "fuel"))
                    for k in range(4)
                ),
                closest=(0, 1),
                tables=(table,),
            )
            for d in range(5)
        ),
        grades=(Grade(start=600, end=660, title="Wolf Creek Pass", text="up 900 ft in 4 mi", level="thin"),),
        attributions=("Elevations and temperatures are invented.",),
        generated="Made 2027-07-01.",
    )


def write_page(folder: Path, scene: Scene) -> Path:
    path = folder / "page.html"
    path.write_text(render(scene, basemap=load(OUTLINES, scene.bounds(), scene.route())), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    return write_page(tmp_path_factory.mktemp("page"), example_scene())


def at(page):
    return int(page.locator(".profile:visible [role=slider]").get_attribute("aria-valuenow"))


def middle_of(page, selector):
    box = page.locator(selector).bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def test_the_map_and_the_profile_draw_without_trouble_or_requests(browse, address):
    page = browse(address)
    assert page.locator("#map_route path.land").count() == 1
    for level in ("ample", "unknown", "thin", "exceeded"):
        assert page.locator(f"#map_route path.level-{level}").count() > 0
    assert page.locator("#map_route path.hit").count() == 20
    assert page.locator(".pin-box:visible").count() > 3
    turn_to(page, "day-2")
    profile = page.locator("#profile-2")
    assert profile.locator("path.line").count() == 3  # the two nearest to their limits, and the road's height
    assert profile.locator("path.limit").count() == profile.locator("path.hatch").count() == 2
    assert profile.locator("path.band").count() == 1
    assert profile.locator("path.climb").count() == 1
    assert page.trouble == []
    assert page.requested == [address.as_uri()]


def test_every_line_and_limit_of_a_profile_is_named_where_it_runs(browse, address):
    page = browse(address)
    turn_to(page, "day-2")
    names = page.locator("#profile-2 .line-names text").all_text_contents()
    for start in ("limit, water ", "limit, oil in the engine 275", "water ", "oil in the engine ", "Wolf Creek Pass "):
        assert any(name.startswith(start) for name in names), start


def test_the_policy_is_in_force(browse, address):
    # Shows that the checks above can fail: what a name would have smuggled in is stopped and reported.
    page = browse(address)
    page.evaluate("document.body.insertAdjacentHTML('beforeend', '<img src=x onerror=alert(1)>')")
    page.evaluate("fetch('https://example.org/').catch(() => 0)")
    page.wait_for_timeout(200)
    assert any("Content Security Policy" in one for one in page.trouble)
    assert not any(one.startswith("dialog") for one in page.trouble)


def test_the_profile_moves_the_map_and_back(browse, address):
    page = browse(address, {"width": 1280, "height": 1600})
    turn_to(page, "day-3")
    before = page.locator("path.cursor").get_attribute("d")
    box = page.locator("#profile-3 svg").first.bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.6, box["y"] + 100)
    picked = at(page)
    assert picked > 100
    assert page.locator("path.cursor").get_attribute("d") != before
    x, y = middle_of(page, "path.cursor")
    page.locator("#profile-3 [role=slider]").press("Home")
    page.mouse.move(x + 1, y)
    page.mouse.move(x, y)
    # The route bends back on itself here and there; the point found lies within a few of the one asked for.
    assert at(page) == pytest.approx(picked, abs=12)


def test_the_profile_works_from_the_keyboard_and_speaks(browse, address):
    page = browse(address)
    turn_to(page, "day-1")
    slider = page.locator("#profile-1 [role=slider]")
    slider.focus()
    slider.press("Home")
    first = at(page)
    for key in ("ArrowRight", "ArrowRight", "ArrowRight"):
        page.keyboard.press(key)
    assert at(page) == first + 3
    spoken = slider.get_attribute("aria-valuetext")
    for word in ("mi", "Water", "limit"):
        assert word in spoken
    page.keyboard.press("End")
    assert page.locator("#profile-1 .readout").inner_text().startswith("211 mi")  # the last place of the day
    assert int(slider.get_attribute("aria-valuemax")) == at(page)


def test_a_day_is_chosen_for_map_sheet_and_address(browse, address):
    page = browse(address)
    whole = page.locator("#map_route path.level-exceeded").first.get_attribute("d")
    page.locator("#day-choice").select_option("2")
    page.locator("#day-3").wait_for()
    assert page.evaluate("location.hash") == "#day-3"
    assert page.locator(".tabs a[aria-current]").inner_text() == "Day 3"
    assert page.locator("#map_route path.level-exceeded").first.get_attribute("d") != whole
    # The first leg of the day begins where the day before ended, and belongs to this day.
    first = page.locator("#profile-3 .readout").inner_text()
    assert first.startswith(("567 mi", "568 mi"))
    assert not page.locator("path.hit").nth(8).evaluate("e => e.classList.contains('faded')")
    page.locator("#day-after").click()
    page.locator("#day-4").wait_for()
    page.locator("#day-3").wait_for(state="hidden")
    page.go_back()
    page.wait_for_function("() => location.hash === '#day-3'")
    page.locator("#day-3").wait_for()
    page.locator("#day-choice").select_option("-1")
    page.locator("#view-map").wait_for()


def test_on_a_phone_the_map_offers_the_sheet_of_the_day(browse, address):
    page = browse(address, PHONE, has_touch=True, is_mobile=True)
    page.locator("#day-choice").select_option("2")
    page.locator("#map_route").wait_for()
    page.locator("a.to-sheet").click()
    page.locator("#day-3").wait_for()
    page.locator("#map_route").wait_for(state="hidden")


def test_a_line_of_the_timetable_leads_the_cursor_to_its_place(browse, address):
    page = browse(address)
    turn_to(page, "day-2")
    page.locator("#day-2 .way tbody tr").nth(2).click()
    assert page.locator("#profile-2 .readout").inner_text().startswith("425 mi")


def test_lines_can_be_switched_on_and_off(browse, address):
    page = browse(address)
    turn_to(page, "day-1")
    page.locator("#lines-1 summary").click()
    buttons = page.locator("#lines-1 button")
    assert [one.get_attribute("aria-pressed") for one in buttons.all()] == ["true", "true", "false", "false"]
    buttons.nth(2).click()
    assert page.locator("#profile-1 path.line").count() == 4
    for index in (0, 1, 2):
        buttons.nth(index).click()
    assert page.locator("#profile-1 path.line").count() == 1
    assert page.trouble == []


def test_popups_speak_plainly(browse, address):
    page = browse(address)
    page.locator("#map_route path.hit").nth(4).dispatch_event("click")
    assert "Slow down to 50 mph on the grade." in page.locator(".leaflet-popup-content").inner_text()
    page.keyboard.press("Escape")
    page.wait_for_timeout(300)
    assert page.locator(".leaflet-popup-content").count() == 0


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_page_fits_a_phone(browse, address, scheme):
    page = browse(address, PHONE, has_touch=True, is_mobile=True, color_scheme=scheme)
    assert page.locator("#map_route").bounding_box()["height"] <= PHONE["height"] * 0.52 + 1
    for view in ("map", "now", "day-2", "alarms"):
        turn_to(page, view)
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
        small = page.evaluate(
            """[...document.querySelectorAll('button, select, input, summary, nav a, .pin-box')]
            .filter(e => e.checkVisibility({ visibilityProperty: true }) && e.getClientRects().length)
            .map(e => [e.textContent, e.getBoundingClientRect()]).filter(([, r]) => r.width > 1)
            .filter(([, r]) => r.width < 44 || r.height < 44).map(([text]) => text)"""
        )
        assert small == [], view
    turn_to(page, "day-2")
    box = page.locator("#profile-2 svg").first.bounding_box()
    page.touchscreen.tap(box["x"] + box["width"] * 0.7, box["y"] + 60)
    assert at(page) > 100
    assert page.trouble == []


@pytest.mark.parametrize("size", [PHONE, DESKTOP, {"width": 844, "height": 390}])
def test_no_two_symbols_overlap_and_none_lies_under_a_control(browse, address, size):
    page = browse(address, size, has_touch=size == PHONE)
    turn_to(page, "map")
    overlaps = """() => {
      const boxesOf = (some) => some.map(e => e.getBoundingClientRect());
      const boxes = boxesOf([...document.querySelectorAll('.pin-box')].filter(e => !e.hidden));
      const controls = boxesOf([...document.querySelectorAll('#map_route .leaflet-control')]);
      const meet = (a, b) => a.left < b.right - 1 && b.left < a.right - 1
        && a.top < b.bottom - 1 && b.top < a.bottom - 1;
      return [boxes.length, boxes.flatMap((a, i) => boxes.slice(i + 1).filter(b => meet(a, b))).length,
        boxes.flatMap(a => controls.filter(b => b.width && meet(a, b))).length];
    }"""
    shown, pairs, covered = page.evaluate(overlaps)
    assert shown >= 3
    assert pairs == covered == 0


@pytest.mark.parametrize("zooms", [0, 3, 6])
def test_names_of_land_stand_at_every_zoom_and_keep_off_pins(browse, address, zooms):
    page = browse(address)
    turn_to(page, "map")
    for _ in range(zooms):
        page.locator("#zoom-in").click()
        page.wait_for_timeout(350)
    found = page.evaluate(
        """() => {
          const seen = (selector) => [...document.querySelectorAll(selector)]
            .filter(e => !e.hidden && e.getClientRects().length);
          const frame = document.getElementById('map_route').getBoundingClientRect();
          const inside = r => r.left >= frame.left && r.right <= frame.right
            && r.top >= frame.top && r.bottom <= frame.bottom;
          const ground = seen(':is(.area-name, .town-name, .road-name)').map(e => e.firstChild);
          const names = seen('.area-name').map(e => e.firstChild.getBoundingClientRect()).filter(inside);
          const written = [...ground, ...seen('.pin-name')]
            .map(e => [e.textContent, e.getBoundingClientRect()]).filter(([, r]) => r.width && inside(r));
          const pins = seen('.pin-box').map(e => e.firstChild.firstChild.getBoundingClientRect());
          const meet = (a, b) => a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom;
          const other = written.flatMap(([words, a], i) => written.slice(i + 1)
            .filter(([, b]) => meet(a, b)).map(([more]) => [words, more]));
          const ring = document.querySelector('path.cursor').getBoundingClientRect();
          return [names.length, written.filter(([, a]) => pins.some(b => meet(a, b))).map(([words]) => words),
            document.getElementById('ground-here').textContent, other,
            ground.filter(e => meet(e.getBoundingClientRect(), ring)).length];
        }"""
    )
    assert found[0] or found[2]
    assert found[1] == found[3] == []
    assert found[4] == 0


def test_a_table_that_goes_on_beyond_the_edge_fades_until_its_end_is_seen(browse, tmp_path):
    wide = Table(title="Wide", headings=("a", "b", "c"), rows=(("m" * 30, "n" * 30, "o" * 30),))
    page = browse(write_page(tmp_path, replace(example_scene(), tables=(wide,))), PHONE)
    turn_to(page, "map")
    frame = page.locator("#view-map .table-frame").first
    assert frame.evaluate(BEYOND)
    assert "gradient" in frame.evaluate("e => getComputedStyle(e).maskImage")
    frame.evaluate("e => e.scrollTo(e.scrollWidth, 0)")
    page.wait_for_timeout(300)
    assert frame.evaluate("e => getComputedStyle(e).maskImage") == "none"
    edges = "e => [e.querySelector('td'), e].map(one => one.getBoundingClientRect().left)"
    cell, edge = frame.evaluate(edges)
    assert abs(cell - edge) < 1  # the first column stays
    assert page.trouble == []


def luminance(colour):
    # Relative luminance and contrast: W3C, Web Content Accessibility Guidelines 2.1, definitions.
    parts = [int(one) / 255 for one in colour.removeprefix("rgb(").removesuffix(")").split(",")]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(first, second):
    low, high = sorted((luminance(first), luminance(second)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_and_lines_stand_out(browse, address, scheme):
    page = browse(address, color_scheme=scheme)
    style = "(s => getComputedStyle(document.querySelector(s[0]))[s[1]])"
    paper = page.evaluate(style, ["body", "backgroundColor"])
    assert (luminance(paper) < 0.05) == (scheme == "dark")
    # WCAG 2.1: 4.5 for text (1.4.3), 3 for parts of pictures that matter (1.4.11).
    turn_to(page, "map")
    for selector in ("body", ".note", ".facts li", "footer"):
        assert contrast(page.evaluate(style, [selector, "color"]), paper) >= 4.5
    for index in range(8):
        page.evaluate("n => document.body.append(Object.assign(new Image(), { className: `line series-${n}` }))", index)
        assert contrast(page.evaluate(style, [f"img.series-{index}", "stroke"]), paper) >= 4.5
    land = page.evaluate(style, ["path.land", "fill"])
    casing = page.evaluate(style, ["path.casing", "stroke"])
    for level in ("ample", "thin", "exceeded"):
        line = page.evaluate(style, [f"path.level-{level}", "stroke"])
        assert max(contrast(line, land), contrast(line, casing)) >= 3.0


def test_no_signal_brings_the_outlines_back(browse, address):
    page = browse(address)
    page.context.route("**/*", lambda route: route.abort())
    page.locator("#ground-choice").select_option("topo")
    page.wait_for_function("() => document.getElementById('ground-choice').value === 'outlines'")
    assert "drawn ground is back" in page.locator("#status").inner_text()
    page.locator("path.land").wait_for()
    asked = [url for url in page.requested if not url.startswith("file:")]
    assert asked
    assert all(url.startswith("https://basemap.nationalmap.gov/arcgis/rest/services/USGSTopo/") for url in asked)
    assert not any("Content Security Policy" in one for one in page.trouble)


def test_each_day_is_printed_on_its_own_sheet_with_its_profile(browse, address):
    page = browse(address)
    page.emulate_media(media="print")
    breaks = "[...document.querySelectorAll('.sheet.day')].map(e => getComputedStyle(e).breakBefore)"
    assert page.evaluate(breaks) == ["page"] * 5
    page.locator(".day .print-only").first.wait_for()
    page.locator("#day-bar").wait_for(state="hidden")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    width = page.locator("#map_route").bounding_box()["width"]
    assert width == pytest.approx(188 / 25.4 * 96, abs=2)  # CSS: 96 pixels in an inch
    assert page.locator(".day .print-chart svg:visible").count() == 5
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    page.emulate_media(media="screen")
    assert page.locator(".print-chart").count() == 0
    assert page.locator(".shell > #ground").count() == 1
