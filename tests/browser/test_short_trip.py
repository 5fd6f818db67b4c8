"""A trip of an hour in a real browser: the map shows it, whatever the size of the screen."""

import io
import shutil
from pathlib import Path

import pytest

from planner.cli import DONE, main

CHROMIUM = "/usr/bin/chromium"
ARGS = ("--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update")
SIZES = {"desk": (1280, 800), "laptop": (1000, 700), "phone": (390, 844), "phone on its side": (844, 390)}
ROUTE_AND_MAP = """() => {
  const box = (one) => { const r = one.getBoundingClientRect(); return [r.left, r.top, r.right, r.bottom]; };
  return [box(document.querySelector("path.route-plain")), box(document.querySelector(".leaflet-container"))];
}"""
SETTLED_MS = 800  # longer than any pan

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(shutil.which(CHROMIUM) is None, reason=f"no Chromium at {CHROMIUM}"),
]


@pytest.fixture(scope="module")
def trip_page(tmp_path_factory):
    folder: Path = tmp_path_factory.mktemp("short") / "trip"
    assert main(["new", str(folder), "--example", "minimal"], io.StringIO(), io.StringIO()) == DONE
    assert main(["plan", str(folder)], io.StringIO(), io.StringIO()) == DONE
    return folder / "out" / "trip.html"


@pytest.fixture(scope="module")
def chromium():
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGS))
        yield running
        running.close()


@pytest.mark.parametrize("size", SIZES)
def test_the_route_fills_the_map_and_stays_inside(chromium, trip_page, size):
    width, height = SIZES[size]
    page = chromium.new_page(viewport={"width": width, "height": height})
    page.goto(trip_page.as_uri())
    for choose in (None, "#day-after", "#day-before"):
        if choose:
            page.click(choose)
        page.wait_for_timeout(SETTLED_MS)
        route, ground = page.evaluate(ROUTE_AND_MAP)
        assert ground[0] <= route[0] < route[2] <= ground[2], choose
        assert ground[1] <= route[1] < route[3] <= ground[3], choose
        share = max((route[2] - route[0]) / (ground[2] - ground[0]), (route[3] - route[1]) / (ground[3] - ground[1]))
        assert share > 0.5, choose
    page.close()
