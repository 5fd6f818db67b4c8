"""Make docs/map.png: plan the worked example into a temporary folder and photograph its page in Chromium.

Run it from the checkout, with the development extras installed: python docs/make_picture.py
"""

import io
import shutil
import sys
import tempfile
from pathlib import Path

import basics
from browsing import ARGS, CHROMIUM
from PIL import Image
from playwright.sync_api import sync_playwright

from planner.cli.main import main

EXAMPLE = basics.ROOT / "data" / "examples" / "wilmington-astoria"
PICTURE = basics.DOCS / "map.png"
WIDTH, HEIGHT, MOST_BYTES = 1280, 800, 250_000
VIEW = "day-7"  # what the picture shows: the day of the thinnest margin


def plan(folder: Path) -> Path:
    """Plan a copy of the worked example; returns its page."""
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("out"))
    errors = io.StringIO()
    if main(["plan", str(folder)], io.StringIO(), errors) > 1:
        sys.exit(errors.getvalue())
    return folder / "out" / "trip.html"


def photograph(page_file: Path) -> bytes:
    """Open the page at a day, and take its first screen."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGS))
        page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT})
        page.goto(f"{page_file.as_uri()}#{VIEW}")
        page.wait_for_timeout(500)
        page.evaluate("document.activeElement.blur(); scrollTo(0, 0)")
        shot = page.screenshot()
        browser.close()
    return shot


def save(shot: bytes) -> None:
    """Write the picture with as many colours as its size allows."""
    picture = Image.open(io.BytesIO(shot)).convert("RGB")
    fewer = (picture.quantize(colours, dither=Image.Dither.NONE) for colours in (256, 64))
    for one in (picture, *fewer):
        small = io.BytesIO()
        one.save(small, "PNG", optimize=True)
        if len(small.getvalue()) < MOST_BYTES:
            PICTURE.write_bytes(small.getvalue())
            return
    sys.exit(f"the picture needs {len(small.getvalue())} bytes with 64 colours, at most {MOST_BYTES} are wanted")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        save(photograph(plan(Path(scratch) / "trip")))
