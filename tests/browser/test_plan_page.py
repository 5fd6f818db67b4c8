"""The page that `plan` writes, opened in a real browser: it draws, asks for nothing, and place names stay text."""

import io
import shutil
from pathlib import Path

import pytest

from planner.cli import main

CHROMIUM = "/usr/bin/chromium"
EXAMPLE = Path(__file__).parents[2] / "data" / "examples" / "minimal"
ARGS = ("--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update")
HOSTILE = (
    "<img src=x onerror=alert(1)>",
    "{{7*7}}",
    "${alert(1)}",
    "</script><script>alert(2)</script>",
    "'-alert(3)-'",
    "<svg/onload=alert(4)>",
    "javascript:alert(5)",
)

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(shutil.which(CHROMIUM) is None, reason=f"no Chromium at {CHROMIUM}"),
]


@pytest.fixture(scope="module")
def chromium():
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGS))
        yield running
        running.close()


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
def opened(chromium):
    """Open a page offline and note everything that should not happen."""
    contexts = []

    def open_page(path: Path, width: int = 1280):
        context = chromium.new_context(viewport={"width": width, "height": 800}, offline=True)
        contexts.append(context)
        page = context.new_page()
        page.trouble, page.requested = [], []
        page.on("console", lambda message: page.trouble.append(f"console {message.type}: {message.text}"))
        page.on("pageerror", lambda error: page.trouble.append(f"error: {error}"))
        page.on("dialog", lambda dialog: (page.trouble.append(f"dialog: {dialog.message}"), dialog.dismiss()))
        page.on("request", lambda request: page.requested.append(request.url))
        page.goto(path.as_uri())
        return page

    yield open_page
    for context in contexts:
        context.close()


@pytest.fixture(scope="module")
def plain(planned):
    return planned()


@pytest.mark.parametrize("width", [390, 1280])
def test_the_plan_draws_without_trouble_or_requests(opened, plain, width):
    page = opened(plain, width)
    assert page.locator("h1").inner_text() == "Needles to Kingman"
    box = page.locator("#map_route").bounding_box()
    assert box["width"] > 300
    assert box["height"] > 200
    assert page.locator("#map_route path.level-ample").count() > 0
    assert page.locator("#map_route path.land").count() > 0
    assert page.locator(".pin-box:visible").count() == 2
    # Coolant, engine oil, transmission, differential with a limit each; air; the road's elevation.
    assert page.locator("#chart path.line").count() == 6
    assert page.locator("#chart path.limit").count() == 4
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.trouble == []
    assert page.requested == [plain.as_uri()]


def test_what_the_co_driver_must_read_is_there(opened, plain):
    text = opened(plain).locator("body").inner_text()
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
    page.locator("#along").focus()
    page.keyboard.press("End")
    spoken = page.locator("#along").get_attribute("aria-valuetext")
    assert "Coolant" in spoken
    assert "61 mi" in page.locator("#readout").inner_text()
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
    page.locator("#along").focus()
    page.keyboard.press("End")
    page.wait_for_timeout(100)
    assert "49" not in page.locator("h1").inner_text()
    assert page.locator("img[src=x]").count() == 0
    assert page.trouble == []
    assert page.requested == [path.as_uri()]
