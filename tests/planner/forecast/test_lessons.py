"""readings.csv through the one assembly: every command, the trip that is left, and what may not change."""

import json
import re
from datetime import date

import numpy as np
import pytest

import planner
from planner.forecast.assemble import find_route, read_inputs, taught
from planner.output.outcome import unknown_sentence

HEAD = "when,place,along,coolant [degC],oil [degC],differential [degC],air [degC],note\n"


@pytest.fixture
def folder(copy_example, tmp_path):
    return copy_example("alps", tmp_path / "trip")


@pytest.fixture
def leg(folder):
    """The leg of day 1 that climbs most."""
    return climb(read_inputs(folder))


def write(folder, *rows):
    (folder / "readings.csv").write_text(HEAD + "\n".join(rows) + "\n", encoding="utf-8")
    return read_inputs(folder)


def climb(inputs):
    line = find_route(inputs).timeline
    spans = [s for s in line.spans if s.kind == "drive" and s.day == 0]
    span = max(spans, key=lambda s: float(np.sum(line.drive.grade[s.rows] * line.drive.length_m[s.rows])))
    return line.road.legs[span.leg]


def test_hotter_readings_take_margin_and_cooler_ones_give_it(folder, leg):
    bare = planner.plan(folder, remedies=False).margins
    smallest = []
    for oil in (95, 125):
        write(folder, f",{leg.finish},,,{oil},,,")
        made = planner.plan(folder, remedies=False)
        smallest.append(made.margins.query("fluid == 'engine_oil'").margin_k.min())
        assert any("Your engine oil runs" in said for said in made.report.learnt)
        assert made.report.learnt[-1].startswith("Smallest margin ahead: ")
        assert json.loads(made.files()["plan.json"])["learnt"] == list(made.report.learnt)
    assert smallest[0] > smallest[1]
    assert smallest[1] < bare.query("fluid == 'engine_oil'").margin_k.min()


def test_a_plan_does_not_learn_twice(folder, leg):
    inputs = taught(write(folder, f",{leg.finish},,,118,,,"))
    assert taught(inputs) is inputs
    made = planner.plan(inputs, remedies=False)
    again = planner.check(made)
    assert again.inputs.car is made.report.outlook.car


def test_air_shifts_its_day_and_no_other(folder):
    inputs = read_inputs(folder)
    leg, plain = climb(inputs), find_route(inputs).timeline
    last = next(span.last for span in plain.spans if span.kind == "drive" and plain.road.legs[span.leg] == leg)
    warm = plain.drive.air_k[last] - 273.15 + 6.0
    shifted = find_route(write(folder, f",{leg.finish},,,,,{warm:.1f},")).timeline
    change = shifted.drive.air_k - plain.drive.air_k
    assert shifted.drive.day.max() > 0
    assert np.all(np.abs(change[shifted.drive.day > 0][-50:]) < 1e-9)
    assert np.abs(change[shifted.drive.speed_m_per_s > 0.0][0]) > 2.0
    lesson = taught(read_inputs(folder)).lesson
    assert list(lesson.air) == [inputs.trip.first_date]
    assert isinstance(next(iter(lesson.air)), date)


def test_what_is_left_uses_what_was_read_before(folder, run):
    inputs = read_inputs(folder)
    leg, line = climb(inputs), find_route(inputs).timeline
    nights = [s for s in line.spans if s.kind == "night"]
    place = nights[0].place
    write(folder, f",{leg.finish},,,125,,,")
    day = 1 + inputs.trip.first_date.toordinal()
    at = f"{date.fromordinal(day)} 08:00"
    hot = planner.plan(folder, from_place=place, at=at, remedies=False)
    (folder / "readings.csv").unlink()
    bare = planner.plan(folder, from_place=place, at=at, remedies=False)
    oil = [one.margins.query("fluid == 'engine_oil'").margin_k.min() for one in (hot, bare)]
    assert oil[0] < oil[1]
    assert any("Your engine oil runs" in said for said in hot.report.learnt)


def test_rows_that_have_no_place_on_the_plan_are_told(folder):
    inputs = read_inputs(folder)
    leg = climb(inputs)
    rows = (f"2027-01-01 12:00,{leg.finish},,,110,,,", "2027-07-09 03:00,,,,110,,,", f",{leg.finish},,90,,,,")
    told = taught(write(folder, *rows)).lesson.sentences
    assert "the reading is of 2027-01-01 12:00; the row is not used." in " ".join(told)
    assert "name the place too; the row is not used." in " ".join(told)
    assert any(said.startswith("Your coolant runs") for said in told)


def test_a_reading_too_hot_to_believe_leaves_the_margin_unknown_and_heads_the_check(folder, leg, run):
    bare = planner.plan(folder, remedies=False)
    write(folder, f",{leg.finish},,,,175,,")
    made = planner.plan(folder, remedies=False)
    first, second, *_ = run("check", folder).out.splitlines()
    assert re.search(r"No errors; \d+ things to check\.", first)
    assert second.startswith("  warning: readings.csv row 2, ")
    assert "not used" in made.report.learnt[0]
    assert "stop and check before driving on" in made.report.learnt[0]
    assert made.margins.margin_k.to_numpy() == pytest.approx(bare.margins.margin_k.to_numpy(), abs=1e-6)
    ahead = made.report.outlook.lesson.ahead_of(made.report.outlook.legs)
    axle = made.margins.query("fluid == 'differential'")
    assert set(axle.level[axle.leg >= ahead]) <= {"unknown", "thin", "exceeded"}
    was = bare.margins.query("fluid == 'differential'")
    assert set(axle.level[axle.leg < ahead]) == set(was.level[axle.leg < ahead])
    worst = next(m for m in made.report.margins if m.leg == ahead and m.fluid == "differential")
    assert "Differential read 175 °C at" in unknown_sentence(made.report, worst)
    write(folder, f",{leg.finish},,,,-20,,")
    cold = planner.plan(folder, remedies=False)
    assert list(cold.margins.level) == list(bare.margins.level)


def test_degrees_celsius_under_fahrenheit_are_one_doubt(folder, leg):
    """Each reading as the car gives it, typed in degC: one sentence on the heading, none on the gauges."""
    write(folder, f",{leg.finish},,90,100,90,,")
    values = {one.what: one.expected_k - 273.15 for one in taught(read_inputs(folder)).lesson.seen}
    head = HEAD.replace("degC", "degF")
    row = f",{leg.finish},,{values['coolant']:.0f},{values['engine_oil']:.0f},{values['differential']:.0f},,\n"
    (folder / "readings.csv").write_text(head + row, encoding="utf-8")
    lesson = taught(read_inputs(folder)).lesson
    (said,) = lesson.unused
    assert said == "readings.csv: all 3 values look like °C under [degF]; change the heading? Not used: row 2."
    assert not lesson.warnings


def test_every_command_says_the_same(folder, leg, run):
    write(folder, f",{leg.finish},,,118,,,")
    said = run("check", folder).out
    assert "learnt: Your engine oil runs" in said
    alarms = planner.alarms(folder).outlook.car.spread.factors
    session = planner.session(folder)
    assert alarms["oil_heat"].value != 1.0
    assert session.outcome is not None
