"""The desk in a real browser: from a track to a printed day sheet, without a terminal after the first command."""

import json
import math
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from browsing import needs_browser

pytestmark = needs_browser
KILOMETRES, STEP_M = 60, 100.0


def track() -> str:
    """A road of 60 km from Needles north-east over a climb of 900 m at 6 % and down again; invented."""
    points = []
    for n in range(int(KILOMETRES * 1000 / STEP_M) + 1):
        far_km = n * STEP_M / 1000.0
        height = 150.0 + 900.0 * min(max(far_km - 25.0, 0.0), 15.0) / 15.0 - 500.0 * max(far_km - 45.0, 0.0) / 15.0
        lat = 34.85 + far_km * 0.6 / 111.2
        lon = -114.6 + far_km * 0.8 / (111.2 * math.cos(math.radians(lat)))
        points.append(f'<trkpt lat="{lat:.5f}" lon="{lon:.5f}"><ele>{height:.1f}</ele></trkpt>')
    return f'<gpx version="1.1"><trk><name>Over the hill</name><trkseg>{"".join(points)}</trkseg></trk></gpx>'


@pytest.fixture
def served(tmp_path: Path):
    """`served()` starts the program, as a person would, and gives its address and its folder."""
    folder = tmp_path / "july"
    command = [sys.executable, "-m", "planner", "desk", str(folder), "--no-browser", "--json"]
    running = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert running.stdout is not None
    said = ""
    while not said.rstrip().endswith("}"):
        line = running.stdout.readline()
        assert line, running.stderr.read() if running.stderr else ""
        said += line
    yield json.loads(said)["address"], folder, running
    running.send_signal(signal.SIGINT)
    running.communicate(timeout=90)


class Hand:
    """A person at the page; presses and characters are counted."""

    def __init__(self, page) -> None:
        self.page, self.presses, self.signs = page, 0, 0

    def press(self, name: str) -> None:
        self.page.get_by_role("button", name=name, exact=True).first.click()
        self.presses += 1

    def choose(self, label: str, value: str) -> None:
        self.page.get_by_label(label).first.select_option(value)
        self.presses += 2

    def write(self, label: str, text: str) -> None:
        field = self.page.get_by_label(label).first
        field.fill(text)
        field.press("Tab")
        self.presses += 1
        self.signs += len(text)


def test_from_a_track_to_a_printed_day_sheet(chromium, served):
    address, folder, _ = served
    context = chromium.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    trouble, asked = [], []
    page.on("console", lambda message: trouble.append(message.text))
    page.on("pageerror", lambda error: trouble.append(str(error)))
    context.on("weberror", lambda error: trouble.append(str(error.error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(address)
    hand = Hand(page)
    page.get_by_role("heading", name="A new trip").wait_for()
    assert "token" not in page.url

    page.locator("#start-file").set_input_files({"name": "hill.gpx", "mimeType": "", "buffer": track().encode()})
    hand.presses += 2
    page.get_by_text("hill.gpx taken").wait_for()
    hand.choose("Class of the car", "saloon-1970s-six")
    hand.write("Departure, local time", "2027-07-20T13:00")
    hand.press("Make the trip")
    whole = page.locator("#stage", has_text="remedies tried")
    whole.wait_for(timeout=180_000)
    assert (folder / "legs.csv").is_file()
    assert page.locator("#headline").inner_text().startswith("Margins of")

    climb = page.locator("#legs tbody tr").nth(page.locator("#legs tbody tr").count() - 2)
    speed = climb.locator("input").first
    name = speed.get_attribute("aria-label")
    before = (folder / "legs.csv").read_text()
    hand.write(name, "38")
    page.locator("#last", has_text="speed 38").wait_for()
    assert (folder / "legs.csv").read_text() != before
    page.locator("#undo").click()
    page.locator("#last", has_text="undone").wait_for()
    assert (folder / "legs.csv").read_text() == before

    hand.press("Print and save")
    hand.press("Make the files")
    page.get_by_role("link", name="trip.html").wait_for(timeout=180_000)
    with context.expect_page() as opened:
        page.get_by_role("link", name="trip.html").click()
    hand.presses += 1
    sheet = opened.value
    sheet.wait_for_load_state()
    sheet.emulate_media(media="print")
    day = sheet.locator("section.sheet.day").first.inner_text()
    assert day.startswith("Day 1, Tue 20 Jul: Needles")
    assert "A forecast is not permission" in day
    printed = sheet.pdf(format="A4")
    assert printed.startswith(b"%PDF")
    assert len(printed) > 20_000
    assert trouble == []
    assert all(url.startswith(("http://127.0.0.1:", "data:")) for url in asked)
    assert (hand.presses, hand.signs) <= (14, 20)  # docs/desk-check.md
    context.close()


def test_two_windows_agree_keys_move_a_night_and_the_page_can_be_read(chromium, served):
    """Keys alone; a second window follows; a screen reader finds names (axe, WCAG 2.1 A and AA)."""
    from axe_playwright_python.sync_playwright import Axe

    address, folder, running = served
    context = chromium.new_context(viewport={"width": 844, "height": 390}, bypass_csp=True)
    page = context.new_page()
    page.goto(address)
    page.get_by_label("Example").select_option("alps")
    page.get_by_role("button", name="Take this example").press("Enter")
    page.locator("#stage", has_text="remedies tried").wait_for(timeout=180_000)
    other = context.new_page()
    other.goto(address.partition("?")[0])
    other.locator("#legs tbody tr").first.wait_for()

    handle = page.locator(".night-handle").first
    assert handle.get_attribute("aria-valuetext") == "Disentis"
    handle.focus()
    handle.press("ArrowRight")
    other.locator("#last", has_text="night at Chur").wait_for()
    assert 'nights = ["chur"' in (folder / "trip.toml").read_text()
    assert other.locator("#days tbody tr").first.locator("select").input_value() == "6"
    assert page.evaluate("document.activeElement.getAttribute('aria-valuetext')") == "Chur"

    for room in ("Trip", "Car", "Rules of the trip", "Readings", "Print and save"):
        page.get_by_role("button", name=room, exact=True).click()
        page.wait_for_timeout(300)
        found = Axe().run(page, options={"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21aa"]}})
        assert [one["id"] for one in found.response["violations"]] == [], found.generate_report()
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    page.get_by_role("button", name="Stop the desk").click()
    page.get_by_text("The desk has stopped").wait_for()
    assert running.wait(timeout=20) == 0
    context.close()
