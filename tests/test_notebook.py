"""docs/api.ipynb runs from top to bottom and prints what it shows."""

import copy
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient
from shown import same_word

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "docs" / "api.ipynb"
MOST_BYTES = 100_000


def text_of(cell):
    """What a cell printed; the picture's words without its size."""
    return "".join(one.get("text", "") for one in cell.get("outputs", []))


def same(shown: str, real: str) -> bool:
    return len(shown.split()) == len(real.split()) and all(map(same_word, shown.split(), real.split()))


@pytest.fixture(scope="module")
def shown():
    return nbformat.read(PAGE, as_version=4)


def test_the_notebook_runs_and_prints_what_it_shows(shown, tmp_path, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    run = copy.deepcopy(shown)
    NotebookClient(
        run,
        kernel_name="python3",
        timeout=1800,
        startup_timeout=1800,
        coalesce_streams=True,
        resources={"metadata": {"path": str(tmp_path)}},
    ).execute()
    for before, after in zip(shown.cells, run.cells, strict=True):
        assert same(text_of(before), text_of(after)), text_of(after)
        kinds = [sorted(one.get("data", {})) for one in before.get("outputs", [])]
        assert kinds == [sorted(one.get("data", {})) for one in after.get("outputs", [])]


def test_the_notebook_is_whole_and_small(shown):
    nbformat.validate(shown)
    assert PAGE.stat().st_size < MOST_BYTES
    assert all(text_of(cell) or cell.outputs for cell in shown.cells if cell.cell_type == "code")
    assert any("image/png" in one.get("data", {}) for cell in shown.cells for one in cell.get("outputs", []))


def test_a_stale_number_is_noticed():
    assert same("margin 21.1 K\n", "margin  21.0 K")
    assert not same("margin 21.1 K", "margin 21.3 K")
    assert not same("margin 21 K", "margin 21.0 K")
