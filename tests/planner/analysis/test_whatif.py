"""What-if: the whole trip again with one change, against the plan, against the files, and against what must be so."""

import json
import os
import pickle
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, time
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from cars import with_part
from editing import edit
from rules import outlook_of, with_trip

from planner.analysis import whatif
from planner.analysis.margins import columns_of, find_margins, fluids_of
from planner.analysis.rerun_trip import run_trip
from planner.analysis.whatif import Outcome, run_variants
from planner.files.folder import open_folder
from planner.forecast.kept import keep_least
from planner.forecast.run import Forecast, days_of_legs, forecast
from planner.model.errors import PlannerError
from planner.output import terminal
from planner.output.whatif import tornado_svg
from planner.route.timeline import build_timeline
from thermal.fluids import FLUIDS
from thermal.kernel import Factors
from thermal.vehicle_file import key_of, sections

PARTS = {
    "radiator 20 % larger": "coolant",
    "ducting, clear grille: 15 % more air": "coolant",
    "engine-oil cooler 50 % larger": "engine_oil",
    "transmission cooler, 40 W/K, added": "transmission",
    "differential cooler with pump and switch, 25 W/K, added": "differential",
}
ROOT = Path(__file__).parents[3]
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def usual(grade) -> Mapping[str, Outcome]:
    return {outcome.words: outcome for outcome in run_variants(grade)}


def by_fluid(outlook: Forecast, values) -> dict[str, float]:
    return dict(zip(fluids_of(outlook), (float(v) for v in values), strict=True))


def least_k(outlook: Forecast) -> np.ndarray:
    """Smallest margin over the whole trip by fluid, from all draws. [K]."""
    were, day = outlook.spread.were_k[:, :, columns_of(outlook)], days_of_legs(outlook.timeline)
    return keep_least(were, day, outlook.sample, outlook.trip.confidence).margin_k


# --- against the plan ---


def test_gains_are_counted_from_the_plan(grade, usual):
    # The smallest margin over the whole trip of the plan's own draws, nothing else.
    plan = least_k(grade)
    for outcome in usual.values():
        assert outcome.margin_k - outcome.gain_k == pytest.approx(plan, abs=1e-6)
    # Leg by leg a margin cannot be smaller than over the whole trip.
    printed = [min(m.margin_k for m in find_margins(grade) if m.fluid == fluid) for fluid in fluids_of(grade)]
    assert np.all(np.array(printed) > plan - 3.0 * grade.error_k - 0.1)


RADIATOR = "cooling.radiator=2300 W/K"
HOUR = "depart an hour earlier every day"


@pytest.mark.parametrize("asked", [RADIATOR, "body.mass=1950 kg", "cooling.cap_pressure=0.3 bar", HOUR])
def test_a_change_is_worth_what_the_files_make_of_it(trip_folder, asked):
    key, _, value = asked.partition("=")
    found = run_variants(forecast(*open_folder(trip_folder)), (asked,) if value else ())
    outcome = next(o for o in found if o.words == asked.replace("=", " = "))
    if value:
        edit(trip_folder, "vehicle.toml", "\n", f'\n{key} = {{value = "{value}", source = "test"}}\n')
    else:
        edit(trip_folder, "trip.toml", "14:00", "13:00")
    again = forecast(*open_folder(trip_folder))
    assert np.all(np.abs(outcome.margin_k - least_k(again)) < 0.1 + 3.0 * outcome.error_k)


def test_most_gain_for_the_tightest_fluid_stands_first(usual):
    base = next(iter(usual.values()))
    tight = int(np.argmin(base.margin_k - base.gain_k))
    gains = [outcome.gain_k[tight] for outcome in usual.values()]
    assert gains == sorted(gains, reverse=True)


# --- what must be so ---


def test_a_part_helps_its_own_fluid_and_buys_nothing_for_another(grade, usual):
    gains = {words: by_fluid(grade, usual[words].gain_k) for words in PARTS}
    for words, fluid in PARTS.items():
        assert gains[words][fluid] > 1.0, words
    # Oil cooler and radiator share the coolant; transmission and differential coolers here go to the air, but the one
    # in front of the radiator warms its air, which costs coolant and oil a kelvin or two.
    for words in (words for words in PARTS if words.endswith("added")):
        for fluid, gain in gains[words].items():
            assert fluid == PARTS[words] or -2.5 < gain < 0.3, f"{words}: {fluid}"
    radiator = gains["radiator 20 % larger"]
    assert abs(radiator["differential"]) < 0.3
    assert abs(radiator["transmission"]) < 1.5  # a cooler block and bay reach it through the bell housing and the air


def test_what_buys_nothing_is_named(usual):
    assert any(outcome.buys_nothing for outcome in usual.values())
    for outcome in usual.values():
        assert outcome.buys_nothing == all(gain < 0.5 for gain in outcome.gain_k)
    # The thermostat is wide open on a hot grade: one that opens earlier is wasted money there.
    assert usual["thermostat that opens 6 °C cooler"].buys_nothing


def test_a_change_that_only_costs_is_shown_with_what_it_costs(grade):
    (heavy,) = run_variants(grade, ("trailer.mass=900 kg",))
    assert heavy.only_costs
    table, said = terminal.whatif(grade, (heavy,))
    assert table.row_count == 1
    assert str(said) == "Reduces the margin: trailer.mass = 900 kg."


@pytest.mark.parametrize(
    ("key", "values"),
    [
        ("cooling.radiator", ("1300 W/K", "1650 W/K", "1900 W/K", "2300 W/K", "3000 W/K", "4500 W/K")),
        ("trailer.mass", ("1000 kg", "500 kg", "100 kg", "0 kg")),
        ("cooling.airflow_share", ("0.5", "0.7", "0.9", "1.1")),
        ("cooling.condenser_heat", ("8 kW", "5 kW", "2 kW")),
    ],
)
def test_a_larger_radiator_less_load_or_more_air_is_never_worse(grade, key, values):
    found = {o.words: o for o in run_variants(grade, tuple(f"{key}={value}" for value in values))}
    margins = np.array([found[f"{key} = {value}"].margin_k for value in values])
    assert np.all(np.diff(margins, axis=0) > -0.1)
    assert np.all(np.diff(margins[:, 0]) >= 0.0)  # the coolant's, without exception
    assert margins[-1][0] > margins[0][0] + (3.0 if key == "cooling.radiator" else 1.0)


def test_slower_takes_longer(usual):
    five, ten = usual["5 % slower everywhere"], usual["10 % slower everywhere"]
    assert five.minutes == pytest.approx(90.0 * (1 / 0.95 - 1), abs=0.5)
    assert ten.minutes == pytest.approx(90.0 * (1 / 0.90 - 1), abs=0.5)
    # Not the power steering's fluid: slower, it works more and less air passes it.
    assert np.all(ten.gain_k[:-1] > five.gain_k[:-1])
    assert np.all(five.gain_k[:-1] > 0.0)


def test_a_transaxle_is_offered_no_cooler_for_the_differential(grade, car):
    transaxle = with_part(car, "axle", kind="transaxle")
    words = [outcome.words for outcome in run_variants(outlook_of(grade.trip, transaxle))]
    assert not any("differential cooler" in word for word in words)
    assert "no trailer" not in words  # there is none


def test_a_change_that_fits_no_split_into_days_is_left_out_and_told(make_trip, road, car):
    # Seven hours and a half and no place to sleep, half an hour before sunset: ten per cent slower no longer fits.
    legs, day = [road(a, b, 90.0) for a, b in pairwise("abcdef")], {"break_s": 0.0, "lodging_only": True}
    outlook = outlook_of(make_trip(legs, departure=datetime(2027, 7, 6, 12, 30), day=day), car)
    told: list[str] = []
    words = [outcome.words for outcome in run_variants(outlook, progress=told.append)]
    assert "10 % slower everywhere" not in words
    assert "A/C off all the way" in words
    assert any(text.startswith("left out: 10 % slower everywhere") and "sunset" in text for text in told)


def test_no_change_leaves_the_plausible_range(grade, car):
    # A car at the very edge of what is allowed; see docs/formats.md.
    cooling = {"thermostat_open_k": 334.0, "radiator_w_per_k": 5900.0, "cap_pressure_pa": 2.0e5, "airflow_share": 1.2}
    edge = with_part(with_part(car, "body", mass_kg=450.0), "cooling", **cooling)
    edge = with_part(edge, "oil_cooler", conductance_w_per_k=1400.0)
    words = [outcome.words for outcome in run_variants(outlook_of(grade.trip, edge))]
    assert "engine-oil cooler 50 % larger" in words
    assert "radiator cap rated 0.2 bar higher" not in words  # no such cap is to be had
    assert not any("clear grille" in word for word in words)


def test_fixed_mornings_move_too_and_midnight_holds(make_trip, road, car):
    legs = [road(a, b, 40.0) for a, b in ("ab", "bc")]
    places = {key: {"services": frozenset({"lodging"}), "high_k": 311.15, "low_k": 291.15} for key in "abc"}
    plain = make_trip(legs, places=places, nights=("b",), day={"driving_s": 3600.0, "break_s": 0.0})
    second = plain.first_date.replace(day=plain.first_date.day + 1)
    gains = {}
    for at in (time(10), time(0, 30)):
        outlook = outlook_of(replace(plain, mornings=((second, at),), departure=datetime(2027, 7, 6, 0, 10)), car)
        early = next(o for o in run_variants(outlook) if o.words.startswith("depart an hour"))
        gains[at.hour] = np.abs(early.gain_k).max()
    assert gains[10] > 0.1
    assert gains[0] == pytest.approx(0.0, abs=1e-6)  # nobody sets off on the day before


def test_the_road_and_the_conditions_of_the_plan_serve_only_changes_that_leave_them_alone(grade, usual, monkeypatch):
    def fresh(outlook, line, vehicle, base, around):  # worked out for each change
        return run_trip(outlook, line, vehicle, base, None)

    def cut(trip, legs, vehicle, known, *, like):
        return build_timeline(trip, legs, vehicle, known)

    monkeypatch.setattr(whatif, "run_trip", fresh)
    monkeypatch.setattr(whatif, "build_timeline", cut)
    again = {outcome.words: outcome for outcome in run_variants(grade)}
    assert list(again) == list(usual)
    for words, outcome in again.items():
        assert np.array_equal(outcome.margin_k, usual[words].margin_k), words
        assert outcome.minutes == usual[words].minutes


# --- --set ---


def test_every_value_of_a_vehicle_file_can_be_set(grade):
    """Set to what it is, written as the file writes it: read, and nothing changes."""
    few = Factors(*(column[:8] for column in grade.factors))  # draws enough to see that nothing changes
    grade = replace(grade, factors=few, shift_k=grade.shift_k[:8])
    settings = []
    for name, kind in sections().items():
        for item in kind.__dataclass_fields__.values():
            held, unit = getattr(getattr(grade.car.vehicle, name), item.name), item.metadata.get("unit", "")
            text = ",".join(map(repr, held)) if isinstance(held, tuple) else str(held)
            unit = unit.removeprefix("delta ").replace("dimensionless", "")
            settings.append(f"{name}.{key_of(item)}={text} {unit}".rstrip())
    assert len(settings) > 100
    for outcome in run_variants(grade, tuple(settings)):
        assert np.abs(outcome.gain_k).max() < 1e-3, outcome.words
        assert outcome.buys_nothing
        assert outcome.minutes == pytest.approx(0.0, abs=1e-6)


def test_what_the_car_already_has_is_told(grade):
    held = f"cooling.cap_pressure={grade.car.vehicle.cooling.cap_pressure_pa!r} Pa"
    (said,) = terminal.whatif(grade, run_variants(grade, (held,)))  # no empty table
    assert str(said) == f"No gain on this trip: {held.replace('=', ' = ')}, which the car already has."


REFUSED = {
    "cooling.cap_presure=16 psi": "did you mean 'cooling.cap_pressure'?",
    "coolng.cap_pressure=16 psi": "did you mean 'cooling.cap_pressure'?",
    "wings=2": "unknown vehicle key",
    "cooling.cap_pressure": "write section.key=value",
    "cooling.cap_pressure=": "write section.key=value",
    "": "write section.key=value",
    "cooling.cap_pressure=16 kg": "16 kg",
    "cooling.cap_pressure=16": "'16'",
    "cooling.cap_pressure=900 psi": "plausible is 0 to 200000",
    "engine.fuel=steam": "allowed: petrol, diesel",
    "gearbox.ratios=4,3,x": "'x'",
    "gearbox.ratios=1,2,3": "ratios must fall",
    "cooling.airflow_share=plenty": "plenty",
    "cooling.inlet_allowance=3": "'3'",
    "cooling.thermostat_open=120 degC": "thermostat",
}


@pytest.mark.parametrize("text", REFUSED)
def test_a_setting_that_cannot_be_read_is_explained(grade, text):
    with pytest.raises(PlannerError) as caught:
        run_variants(grade, (text,))
    assert str(caught.value).startswith(f"--set {text!r}: ")
    assert REFUSED[text] in str(caught.value)


# --- the picture ---


def test_the_picture_is_plain_svg_and_its_names_stay_inside(grade, usual):
    first, *outcomes = usual.values()
    odd = replace(first, words="<script>alert('&')</script>", gain_k=-first.gain_k)
    long = replace(first, words="a trailer of half its weight, and " * 5)
    picture = tornado_svg(grade, [first, *outcomes, odd, long])
    root = ET.fromstring(picture)
    assert root.tag == f"{SVG}svg"
    assert {element.tag.removeprefix(SVG) for element in root.iter()} == {"svg", "title", "text", "rect"}
    for element in root.iter():
        assert not any(name.lower().startswith("on") or "href" in name for name in element.attrib)
    assert "<script" not in picture
    assert odd.words in [element.text for element in root.iter(f"{SVG}text")]
    for one in root.iter(f"{SVG}text"):
        # The widest usual letters of a sans-serif of 13 px take about 0.6 em on average; common practice, no source.
        width = 0.57 * 13.0 * len(one.text)
        start = float(one.attrib["x"]) - (width if one.attrib.get("text-anchor") == "end" else 0.0)
        assert start >= 0.0, one.text
    ink, paper = root.attrib["fill"], root.attrib["style"].removeprefix("background:")
    assert (ink, paper) == ("#12161a", "#ffffff")  # 18:1, so that a dark page does not swallow it


def test_bars_are_as_long_as_gains_and_inside_the_picture(grade, usual):
    outcomes = list(usual.values())
    root = ET.fromstring(tornado_svg(grade, outcomes))
    wide = float(root.attrib["viewBox"].split()[2])
    base = outcomes[0].margin_k - outcomes[0].gain_k
    gains = np.array([abs(outcome.gain_k[int(np.argmin(base))]) for outcome in outcomes])
    bars = [element.attrib for element in root.iter(f"{SVG}rect")]
    lengths = np.array([float(bar["width"]) for bar in bars])
    assert len(bars) == len(outcomes)
    assert lengths / lengths.max() == pytest.approx(gains / gains.max(), abs=0.01)
    for bar in bars:
        assert 0.0 <= float(bar["x"]) <= float(bar["x"]) + float(bar["width"]) <= wide


# --- the command ---


def test_changes_are_named_in_the_trip_s_units(grade):
    """6 K are 10.8 °F, 0.2 bar are 2.9 psi."""
    said = {units: {o.words for o in run_variants(with_trip(grade, units=units))} for units in ("us", "metric")}
    assert {"thermostat that opens 11 °F cooler", "radiator cap rated 3 psi higher"} <= said["us"]
    assert {"thermostat that opens 6 °C cooler", "radiator cap rated 0.2 bar higher"} <= said["metric"]


def test_nothing_is_shown_as_minus_zero(grade):
    small = np.full(len(fluids_of(grade)), -0.04)
    moved = Outcome(words="a change", kind="part", margin_k=small, gain_k=small + 1.0, error_k=small, minutes=-0.2)
    lost = replace(moved, words="another", gain_k=small - 0.02)
    shown = terminal.whatif(grade, [moved, lost])[0]
    cells = [cell for column in shown.columns for cell in column.cells]
    assert "+1 (0)" in cells
    assert "+0" in cells
    assert not [cell for cell in cells if "-0" in cell]
    assert ">-0<" not in tornado_svg(grade, [moved, lost])


def test_the_command_s_json(run, trip_folder):
    ran = run("whatif", trip_folder, "--set", "cooling.cap_pressure=16 psi", "--set", "body.mass=1500 kg", "--json")
    assert ran.code == 0
    found = json.loads(ran.out)
    assert found["schema"] == "grademargin-whatif/1"
    assert {change["what"] for change in found["changes"]} == {"cooling.cap_pressure = 16 psi", "body.mass = 1500 kg"}
    for change in found["changes"]:
        assert set(change["margin_gained_k"]) == {fluid.label for fluid in FLUIDS}
        assert change["buys_nothing"] == (max(change["margin_gained_k"].values()) < 0.5)
    lighter = next(change for change in found["changes"] if "mass" in change["what"])
    assert min(lighter["margin_gained_k"].values()) > 0.0


def test_one_process_or_two_say_the_same(trip_folder):
    said = []
    for threads in ("1", "2"):  # one thread for the model means one process
        command = [sys.executable, "-m", "planner", "whatif", str(trip_folder), "--json"]
        names = {"PYTHONPATH": str(ROOT), "NUMBA_NUM_THREADS": threads}
        done = subprocess.run(command, capture_output=True, check=False, env=os.environ | names)
        assert done.returncode == 0
        said.append((done.stdout, done.stderr))
    assert said[0] == said[1]
    assert said[0][1].count(b"trying: ") == len(json.loads(said[0][0])["changes"]) > 10


def test_a_change_left_out_is_told_in_its_place_by_two_processes_too(make_trip, road, car, tmp_path):
    legs, day = [road(a, b, 90.0) for a, b in pairwise("abcdef")], {"break_s": 0.0, "lodging_only": True}
    outlook = outlook_of(make_trip(legs, departure=datetime(2027, 7, 6, 12, 30), day=day), car)
    told: list[str] = []
    found = run_variants(outlook, progress=told.append)
    at = next(n for n, text in enumerate(told) if text.startswith("left out: 10 %"))
    assert told[at - 1] == "trying: 10 % slower everywhere"
    (tmp_path / "outlook").write_bytes(pickle.dumps(outlook))
    code = """
import os, pickle, sys
import planner.analysis.whatif as module
from pathlib import Path
outlook, told, mine, parent = pickle.loads(Path(sys.argv[1]).read_bytes()), [], [], os.getpid()
tried = module._tried
def counted(*given):
    mine.append(os.getpid())
    return tried(*given)
module._tried = counted
found = module.run_variants(outlook, progress=told.append)
sys.stdout.buffer.write(pickle.dumps((told, found, set(mine) == {parent}, len(mine))))
"""
    names = {"PYTHONPATH": str(ROOT), "NUMBA_NUM_THREADS": "2", "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-c", code, str(tmp_path / "outlook")]
    done = subprocess.run(command, capture_output=True, check=True, env=os.environ | names)
    again, same, _, driven = pickle.loads(done.stdout)  # from the program above
    assert again == told
    assert [pickle.dumps(one) for one in same] == [pickle.dumps(one) for one in found]
    if sys.platform == "linux" and len(os.sched_getaffinity(0)) > 1:
        assert driven < len(found)  # the rest by the child
