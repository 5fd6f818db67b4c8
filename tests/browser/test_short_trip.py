"""A trip of an hour in a real browser: the map shows it, whatever the size of the screen."""

import io
from pathlib import Path

import pytest
from browsing import needs_browser

from planner.cli.console import DONE
from planner.cli.main import main

SIZES = {"desk": (1280, 800), "laptop": (1000, 700), "phone": (390, 844), "phone on its side": (844, 390)}
ROUTE_AND_MAP = """() => {
  const box = (one) => { const r = one.getBoundingClientRect(); return [r.left, r.top, r.right, r.bottom]; };
  return [box(document.querySelector("path.route-plain")), box(document.querySelector(".leaflet-container"))];
}"""
SETTLED_MS = 800  # longer than any pan

pytestmark = needs_browser


@pytest.fixture(scope="module")
def trip_page(tmp_path_factory):
    folder: Path = tmp_path_factory.mktemp("short") / "trip"
    assert main(["new", str(folder), "--example", "minimal"], io.StringIO(), io.StringIO()) == DONE
    assert main(["plan", str(folder)], io.StringIO(), io.StringIO()) == DONE
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
