"""Settings and the browser for all tests."""

import pytest
from browsing import ARGS, CHROMIUM, DESKTOP
from hypothesis import settings

# A busy machine must not fail a property; timings are the benches' business.
settings.register_profile("steady", deadline=None)
settings.load_profile("steady")


@pytest.fixture(scope="session")
def chromium():
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGS))
        yield running
        running.close()


@pytest.fixture
def browse(chromium):
    """Open a file in a context of its own, and note everything that should not happen."""
    contexts = []

    def open_page(path, size=DESKTOP, **options):
        context = chromium.new_context(viewport=size, **options)
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
