"""Settings, the command line in this process, copies of shipped trips, and the browser, for all tests."""

import gc
import io
import resource
import shutil
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from browsing import ARGS, CHROMIUM, DESKTOP
from hypothesis import settings
from loopback import Loopback

from planner.cli.main import main
from planner.forecast.room import give_back

DATA = Path(__file__).parents[1] / "data"

# A busy machine must not fail a property; timings are the benches' business.
settings.register_profile("steady", deadline=None)
settings.load_profile("steady")


MOST_BYTES = 1.5e9


@pytest.fixture(autouse=True)
def memory() -> Iterator[None]:
    """Fail a test that takes more than 1.5 GB of itself."""
    before = _most_bytes()
    yield
    assert _most_bytes() - before < MOST_BYTES


@pytest.fixture(scope="module", autouse=True)
def tidy() -> Iterator[None]:
    """Give back what the tests of a module have freed: the C library keeps it for the process otherwise."""
    yield
    gc.collect()
    give_back()


def _most_bytes() -> float:
    """Peak memory of this process so far; that of processes it starts would count its own. [B]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)


@dataclass(frozen=True)
class Ran:
    """What one command said."""

    code: int
    out: str
    err: str


@pytest.fixture(scope="session")
def copy_example() -> Callable[[str, Path], Path]:
    """`copy_example("minimal", folder)`; a trip without a car of its own gets the estate."""

    def copy(name: str, folder: Path) -> Path:
        shutil.copytree(DATA / "examples" / name, folder, ignore=shutil.ignore_patterns("out"))
        if not (folder / "vehicle.toml").exists():
            (folder / "vehicle.toml").write_text('base = "estate-1990s-six"\n', encoding="utf-8")
        return folder

    return copy


@pytest.fixture(scope="session")
def run() -> Callable[..., Ran]:
    """`run("plan", folder)`: exit code, stdout, stderr."""

    def call(*argv: object) -> Ran:
        out, err = io.StringIO(), io.StringIO()
        code = main([str(word) for word in argv], out, err)
        return Ran(code, out.getvalue(), err.getvalue())

    return call


@pytest.fixture
def services() -> Iterator[Loopback]:
    server = Loopback()
    yield server
    server.close()


@pytest.fixture
def user_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Cache and data folders of a user of their own."""
    for name in ("XDG_CACHE_HOME", "XDG_DATA_HOME"):
        monkeypatch.setenv(name, str(tmp_path / name.lower()))
    return tmp_path


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
