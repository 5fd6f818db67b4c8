"""Files for other programs: complete or absent, the same every time, read back by the programs meant to read them."""

import io
import json
import os
import re
import subprocess
import sys
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.model.errors import OutputError
from planner.model.levels import WORDS
from planner.output.export import SCHEMA, as_text, forecast_csv, plan_dict
from planner.output.report import legs_cells
from planner.output.write import to_json, write_files
from thermal.fluids import FLUID_KEYS

NAMES = ("trip.html", "forecast.csv", "plan.json", "trip.gpx", "trip.ics", "trip.geojson")


def names_in(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


# --- writing ---


def test_files_are_written_whole(tmp_path):
    write_files(tmp_path / "deep" / "out", {"a.txt": "one\nzwei ü\n", "b.txt": ""})
    assert (tmp_path / "deep" / "out" / "a.txt").read_bytes() == "one\nzwei ü\n".encode()
    assert names_in(tmp_path / "deep" / "out") == {"a.txt", "b.txt"}
    assert (tmp_path / "deep" / "out" / "a.txt").stat().st_mode & 0o777 == 0o644


def test_a_file_that_cannot_be_put_in_place_leaves_nothing_behind(tmp_path):
    # A folder stands where the second file should go: nothing is replaced, the set stays the old one.
    write_files(tmp_path, {"a.txt": "old", "c.txt": "old"})
    (tmp_path / "b.txt" / "inside").mkdir(parents=True)
    with pytest.raises(OutputError, match=r"cannot be written \(Is a directory: b.txt\); free disk space"):
        write_files(tmp_path, {"a.txt": "new", "b.txt": "new", "c.txt": "new"})
    assert (tmp_path / "a.txt").read_text() == "old"
    assert (tmp_path / "c.txt").read_text() == "old"
    assert names_in(tmp_path) == {"a.txt", "b.txt", "c.txt"}


def test_text_that_cannot_be_encoded_keeps_the_old_file(tmp_path):
    write_files(tmp_path, {"a.txt": "old"})
    with pytest.raises(UnicodeEncodeError):
        write_files(tmp_path, {"a.txt": "half of it, then \ud800"})
    assert (tmp_path / "a.txt").read_text() == "old"
    assert names_in(tmp_path) == {"a.txt"}


# --- JSON ---


PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4),
    max_leaves=12,
)


@given(PLAIN)
def test_json_is_strict_whatever_the_numbers(value):
    def refuse(text):
        raise AssertionError(text)

    text = to_json(value)
    json.loads(text, parse_constant=refuse)
    assert to_json(json.loads(text)) == text


def test_json_takes_what_numpy_gives():
    value = {"a": np.float64(1.5), "b": np.int64(2), "c": np.bool_(True), "d": (np.float64("inf"), "x")}
    assert json.loads(to_json(value)) == {"a": 1.5, "b": 2, "c": True, "d": [None, "x"]}


@pytest.mark.parametrize("name", ["minimal", "alps", "big"])
def test_plan_json_carries_the_report(request, name):
    report = request.getfixturevalue(name)
    outlook = report.outlook
    text = to_json(plan_dict(report))
    assert not re.search(r"\b(NaN|Infinity)\b", text)
    plan = json.loads(text)
    assert plan["schema"] == SCHEMA
    assert len(plan["legs"]) == len(outlook.legs)
    assert len(plan["days"]) == len(outlook.timeline.days)
    assert plan["draws"] == outlook.spread.margin_k.shape[0]
    found = [fluid for leg in plan["legs"] for fluid in leg["fluids"]]
    assert len(found) == len(report.margins)
    for entry, margin in zip(found, report.margins, strict=True):
        assert entry["margin_k"] == pytest.approx(margin.margin_k, abs=6e-4)
        assert entry["limit_k"] - entry["peak_k"] == pytest.approx(entry["margin_as_described_k"], abs=2e-3)
        assert datetime.fromisoformat(entry["time"]).utcoffset() is not None
        assert 0.0 <= entry["probability_exceeded"] <= 1.0
    for leg in plan["legs"]:
        assert leg["level"] == max((fluid["level"] for fluid in leg["fluids"]), key=WORDS.index)
    assert all(a["day"] <= b["day"] for a, b in pairwise(plan["legs"]))


KEY = re.compile(r"[a-z][a-z0-9_.]*")


@pytest.mark.parametrize("name", ["alps", "big"])
def test_plan_json_is_data_alone(request, name):
    """Keys a program can name, times with their zone, and no sentence but what is assumed and a remedy's label."""
    report = request.getfixturevalue(name)
    plan = json.loads(to_json(plan_dict(report)))
    labels = {"trip", "vehicle", "road", "via", "near", "item", "what", "note"}

    def walk(value, key=""):
        if isinstance(value, dict):
            for name, inner in value.items():
                assert KEY.fullmatch(name), name
                walk(inner, name)
        elif isinstance(value, list):
            for inner in value:
                walk(inner, key)
        elif isinstance(value, str) and key in ("depart", "arrive", "time"):
            assert datetime.fromisoformat(value).utcoffset() is not None
        elif isinstance(value, str) and key not in labels:
            assert " " not in value, (key, value)

    del plan["assumed"], plan["doubts"]  # sentences for people, as `check` says them
    walk(plan)
    names = report.outlook.trip.places
    assert all(row[end] in names for row in (*plan["days"], *plan["legs"]) for end in ("from", "to"))
    keys = {fluid["fluid"] for leg in plan["legs"] for fluid in leg["fluids"]}
    assert keys <= set(FLUID_KEYS)


# --- CSV ---


@pytest.mark.parametrize("name", ["minimal", "alps", "big"])
def test_pandas_reads_the_forecast_back(request, name):
    report = request.getfixturevalue(name)
    back = pd.read_csv(io.StringIO(forecast_csv(report)), keep_default_na=False)
    pd.testing.assert_frame_equal(back, pd.DataFrame(legs_cells(report)), check_dtype=False)


# --- the same every time ---


def test_the_same_folder_gives_the_same_bytes(copy_example, tmp_path):
    folder = copy_example("alps", tmp_path / "trip")
    script = "import sys; from planner.cli.main import main; sys.exit(main(sys.argv[1:]))"
    command = [sys.executable, "-c", script, "plan"]
    written = []
    for seed in ("1", "2"):
        out = tmp_path / f"out{seed}"
        environment = {**os.environ, "PYTHONHASHSEED": seed, "TZ": "UTC" if seed == "1" else "Asia/Tokyo"}
        done = subprocess.run(
            [*command, str(folder), "--out", str(out)], env=environment, capture_output=True, text=True
        )
        assert done.returncode in (0, 1), done.stderr
        assert names_in(out) == set(NAMES)
        written.append([(out / name).read_bytes() for name in NAMES])
    for name, one, other in zip(NAMES, *written, strict=True):
        assert one == other, f"{name} differs between two runs"


BEGINS = ["=1+1", "+x", "-x", "@SUM(A1)", "\uff1d1", " =1", "\t=1", "\r=1", "\n=1"]
SEPARATORS = [";", "\t", "|", ",", "\n", "; "]


@pytest.mark.parametrize("cell", [*BEGINS, "-1+2", *(f"Raton{s}{begin}" for s in SEPARATORS for begin in BEGINS)])
def test_no_cell_is_a_formula_wherever_a_program_parts_it(cell):
    said = as_text(cell)
    assert said.startswith("'") or cell.startswith("Raton")
    assert not any(part.strip()[:1] in set("=+-@\uff1d") for part in re.split(r"[;,\t|\n]", said))


@pytest.mark.parametrize("cell", ["Raton", "I-40", "5 + 5", "", "'=1", "Åre", "Hall's Gap; -5 to 3"])
def test_other_text_stays(cell):
    assert as_text(cell) == cell
