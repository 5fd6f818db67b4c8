"""How tests start the browser, and the marks of a test that needs it."""

import shutil
from importlib.resources import files

import pytest

CHROMIUM = "/usr/bin/chromium"
ARGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
)
PHONE, DESKTOP = {"width": 390, "height": 844}, {"width": 1280, "height": 800}


def turn_to(page, view):
    """Turn the page to one of its views: "now", "day-3", "alarms", "map"."""
    page.evaluate("name => { location.hash = name; }", view)
    page.wait_for_function("name => document.body.dataset.view === name.split('-')[0]", arg=view)
    if view.startswith("day-"):
        page.locator(f"#{view}").wait_for()


def go_to(page, name):
    """Say in the view "now" that the car is at a place."""
    turn_to(page, "now")
    options = page.locator("#now-place option").all_inner_texts()
    page.locator("#now-place").select_option(
        str(next(i for i, words in enumerate(options) if words.endswith(f": {name}")))
    )


BEYOND = """frame => [...frame.querySelectorAll('th, td')]
    .filter(e => e.textContent && e.getClientRects().length)
    .filter(e => e.getBoundingClientRect().right > frame.getBoundingClientRect().right + 1)
    .map(e => e.textContent)"""
"""Cells of a table beyond its frame's right edge."""


def barriers(page):
    """What axe-core finds wrong with a page as it stands; its rules are those of WCAG and best practice."""
    package = pytest.importorskip("axe_playwright_python")
    page.evaluate((files(package) / "axe.min.js").read_text(encoding="utf-8"))
    found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")
    assert len(found["passes"]) > 18
    return [(one["id"], one["impact"], [node["target"] for node in one["nodes"]][:3]) for one in found["violations"]]


needs_browser = [
    pytest.mark.browser,
    pytest.mark.skipif(shutil.which(CHROMIUM) is None, reason=f"no Chromium at {CHROMIUM}"),
]
