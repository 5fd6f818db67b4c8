"""The page that `plan` writes, opened in a real browser: it draws, asks for nothing, and place names stay text."""

import io
import shutil
from pathlib import Path

import pytest
from browsing import DESKTOP, PHONE, needs_browser, turn_to

from planner.cli.main import main

EXAMPLE = Path(__file__).parents[2] / "data" / "examples" / "minimal"
HOSTILE = (
    "<img src=x onerror=alert(1)>",
    "{{7*7}}",
    "${alert(1)}",
    "</script><script>alert(2)</script>",
    "'-alert(3)-'",
    "<svg/onload=alert(4)>",
    "javascript:alert(5)",
)

pytestmark = needs_browser


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """Plan a copy of the minimal example, changed by `edit(folder)`; returns the page's path."""

    def make(edit=lambda folder: None) -> Path:
        folder = tmp_path_factory.mktemp("page") / "trip"
        shutil.copytree(EXAMPLE, folder)
        edit(folder)
        assert main(["plan", str(folder)], io.StringIO(), io.StringIO()) == 0
        return folder / "out" / "trip.html"

    return make


@pytest.fixture
def opened(browse):
    return lambda path, size=DESKTOP: browse(path, size, offline=True)


@pytest.fixture(scope="module")
def plain(planned):
    return planned()


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_the_plan_draws_without_trouble_or_requests(opened, plain, size):
    page = opened(plain, size)
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
    assert page.requested == [plain.as_uri()]


def test_what_the_co_driver_must_read_is_there(opened, plain):
    page = opened(plain)
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


def test_the_slider_reads_temperatures_along_the_road(opened, plain):
    page = opened(plain)
    turn_to(page, "day-1")
    page.locator("#profile-1 [role=slider]").press("End")
    spoken = page.locator("#profile-1 [role=slider]").get_attribute("aria-valuetext")
    assert "Coolant" in spoken
    assert "61 mi" in page.locator("#profile-1 .readout").inner_text()
    assert page.trouble == []


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_is_only_text(opened, planned, name):
    quoted = '"' + name.replace('"', '""') + '"'

    def poison(folder: Path) -> None:
        for file, old in (("places.csv", '"Kingman, Arizona"'),):
            text = (folder / file).read_text(encoding="utf-8")
            assert old in text
            text = text.replace(old, quoted).replace("elevation [ft]", "elevation [ft],note")
            rows = text.splitlines()
            (folder / file).write_text("\n".join([rows[0], *(f"{row},{quoted}" for row in rows[1:])]), encoding="utf-8")
        legs = (folder / "legs.csv").read_text(encoding="utf-8").splitlines()
        (folder / "legs.csv").write_text(f"{legs[0]},road\n{legs[1]},{quoted}\n", encoding="utf-8")
        trip = (folder / "trip.toml").read_text(encoding="utf-8")
        (folder / "trip.toml").write_text(trip.replace('"Needles to Kingman"', f"'''{name}'''"), encoding="utf-8")

    path = planned(poison)
    page = opened(path)
    assert page.locator("h1").inner_text() == name
    pins = page.locator(".pin-box:visible")
    for index in range(pins.count()):
        pins.nth(index).dispatch_event("click")
    assert name in page.locator(".leaflet-popup-content").last.inner_text()
    page.locator("#map_route path.hit").first.dispatch_event("click")
    turn_to(page, "day-1")
    page.locator("#profile-1 [role=slider]").press("End")
    page.wait_for_timeout(100)
    assert "49" not in page.locator("h1").inner_text()
    assert page.locator("img[src=x]").count() == 0
    assert page.trouble == []
    assert page.requested == [path.as_uri()]
