"""Runs forked from this process; `sys.path` so that the campaign and the tests share one harness."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import warm


@pytest.fixture(scope="session", autouse=True)
def _loaded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A planned trip; every module and the compiled model are in memory."""
    folder = tmp_path_factory.mktemp("knocks") / "trip"
    warm.load(folder)
    return folder


@pytest.fixture
def trip(_loaded: Path, tmp_path: Path) -> Path:
    """A copy of the planned trip."""
    import shutil

    return Path(shutil.copytree(_loaded, tmp_path / "trip"))
