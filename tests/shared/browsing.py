"""The browser: what it is started with, and the marks of a test that needs it."""

import shutil

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

needs_browser = [
    pytest.mark.browser,
    pytest.mark.skipif(shutil.which(CHROMIUM) is None, reason=f"no Chromium at {CHROMIUM}"),
]
