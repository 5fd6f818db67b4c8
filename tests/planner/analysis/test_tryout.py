"""What an hour near home is worth: by hand where it can be, and never more than nothing or less than all."""

import numpy as np
import pytest

import planner
from planner.analysis.tryout import SURE, find_worth, home_drive
from planner.files.reading import Problems
from planner.files.readings import parse_readings
from planner.output.tryout import worth_lines
from thermal.fluids import FLUID_KEYS


@pytest.fixture(scope="module")
def outlook():
    return planner.plan(planner.example("minimal"), remedies=False).report.outlook


def test_the_drive_is_as_its_words_say():
    drive, stops = home_drive()
    assert drive.duration_s.sum() == pytest.approx(3180.0, abs=10.0)
    ends = np.cumsum(drive.duration_s)
    assert [round(ends[row] / 60.0) for row, _ in stops] == [35, 45, 53]
    climbed = float(np.sum(drive.grade * drive.length_m))
    assert climbed == pytest.approx(0.05 * 20.0 * 600.0, rel=0.05)


def test_every_reading_narrows_and_all_narrow_most(outlook):
    found = find_worth(outlook)
    assert [one.fluid for one in sorted(found, key=lambda one: one.margin_k)] == [one.fluid for one in found]
    for one in found:
        assert 0.0 < one.all_k <= one.one_k + 1e-6 < one.now_k
        draws = outlook.spread.margin_k[:256, one.leg, FLUID_KEYS.index(one.fluid)]
        assert one.now_k == pytest.approx(SURE * np.std(draws, ddof=1), rel=0.02)


def test_a_fluid_is_best_learnt_from_its_own_gauge(outlook):
    best = {one.fluid: one.best for one in find_worth(outlook)}
    assert best["differential"][0] == "differential"
    assert best["transmission"][0] == "transmission"
    assert "climb" in best["differential"][1]


def test_the_heading_of_the_notes_is_one_that_is_read(outlook):
    lines = worth_lines(outlook, find_worth(outlook), "july")
    at = next(i for i, line in enumerate(lines) if line.startswith("  when,"))
    head, row = (line.strip() for line in lines[at : at + 2])
    filled = row.rstrip(",") + ",100" * row.count(",")
    problems = Problems()
    (note,) = parse_readings(f"{head}\n{filled}\n", trip=outlook.trip, problems=problems)
    assert len(problems) == 0
    assert len(note.temps_k) == head.count(",")
