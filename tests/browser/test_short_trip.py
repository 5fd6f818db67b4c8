"""A trip of an hour in a real browser, whatever the size of the screen: it draws, asks for nothing, fills the map."""

import pytest
from browsing import DESKTOP, PHONE, needs_browser, turn_to

SIZES = {"desk": (1280, 800), "laptop": (1000, 700), "phone": (390, 844), "phone on its side": (844, 390)}
ROUTE_AND_MAP = """() => {
  const box = (one) => { const r = one.getBoundingClientRect(); return [r.left, r.top, r.right, r.bottom]; };
  return [box(document.querySelector("path.route-plain")), box(document.querySelector(".leaflet-container"))];
}"""
SETTLED_MS = 800  # longer than any pan

pytestmark = needs_browser


@pytest.fixture(scope="module")
def trip_page(tmp_path_factory, copy_example, run):
    folder = copy_example("minimal", tmp_path_factory.mktemp("short") / "trip")
    assert run("plan", folder).code == 0
    return folder / "out" / "trip.html"


@pytest.mark.parametrize("size", SIZES)
def test_the_route_fills_the_map_and_stays_inside(browse, trip_page, size):
    width, height = SIZES[size]
    page = browse(trip_page, {"width": width, "height": height})
    for choose in (None, "#day-after", "#day-before"):
        if choose:
            page.click(choose)
        page.wait_for_timeout(SETTLED_MS)
        route, ground = page.evaluate(ROUTE_AND_MAP)
        assert ground[0] <= route[0] < route[2] <= ground[2], choose
        assert ground[1] <= route[1] < route[3] <= ground[3], choose
        share = max((route[2] - route[0]) / (ground[2] - ground[0]), (route[3] - route[1]) / (ground[3] - ground[1]))
        assert share > 0.5, choose
    assert page.trouble == []


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_the_plan_draws_without_trouble_or_requests(opened, trip_page, size):
    page = opened(size)
    assert page.locator("h1").inner_text() == "Needles to Kingman"
    turn_to(page, "map")
    box = page.locator("#map_route").bounding_box()
    assert box["width"] > 300
    assert box["height"] > 200
    assert page.locator("#map_route path:is(.level-ample, .level-unknown)").count() > 0
    assert page.locator("#map_route path.land").count() > 0
    assert page.locator(".pin-box:visible").count() == 2
    # Five fluids with a limit each; air; the road's elevation.
    turn_to(page, "day-1")
    page.locator("#lines-1 summary").click()
    for _ in range(4):  # the others than the two nearest to their limits
        page.locator("#lines-1 button[aria-pressed=false]").first.click()
    assert page.locator("#profile-1 path.line").count() == 7
    assert page.locator("#profile-1 path.limit").count() == 5
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    assert page.trouble == []
    assert page.requested == [trip_page.as_uri()]


def test_what_the_co_driver_must_read_is_there(opened):
    page = opened()
    text = ""
    for view in ("now", "day-1", "alarms", "map"):
        turn_to(page, view)
        text += page.locator("body").inner_text()
    for words in (
        "A forecast is not permission",
        "Needles, California",
        "Kingman, Arizona",
        "Assumed of the car",
        "limit",
    ):
        assert words in text
