"""A day driven again unchanged is the day of the plan; a change does what it says, and what physics says of it."""

from dataclasses import replace

import numpy as np
import pytest
from cars import with_part
from rules import outlook_of

from planner.analysis import rerun
from planner.analysis.margins import columns_of, fluids_of
from planner.analysis.rerun import Change, kept_on, run_day
from planner.analysis.rerun_trip import run_stretch
from planner.forecast.kept import keep_changed, keep_least
from planner.forecast.run import Forecast
from thermal.fluids import BODY_KEYS
from thermal.simulate import make_ready

COOLANT, TRANSMISSION, DIFFERENTIAL = 1, 3, 4  # columns of the temperatures


def planned_rows(outlook: Forecast, number: int) -> list[int]:
    """Segments of one day of the plan, from pulling away to parking for the night."""
    spans = [span for span in outlook.timeline.spans if span.day == number and span.kind not in ("night", "end")]
    return list(range(spans[0].first, spans[-1].last + 1))


# --- unchanged ---


@pytest.mark.parametrize("number", [0, 1, 2])
def test_a_day_driven_again_unchanged_is_the_day_of_the_plan(alps, number):
    outlook = alps.outlook
    again, rows = run_day(outlook, number), planned_rows(outlook, number)
    planned = outlook.nominal.temps_k[0][rows]
    assert np.abs(again.nominal_k[: len(rows)] - planned).max() < 0.05
    # The A/C follows the air of the hour, and with it, by a hair, the speed a descent is taken at.
    assert again.day.end_s == pytest.approx(outlook.timeline.days[number].end_s, abs=10.0)
    day = outlook.timeline.days[number]
    columns = columns_of(outlook)
    planned = outlook.spread.were_k[: len(again.were_k), day.first : day.last + 1][:, :, columns]
    # The radiator's map spans the flows of the drive at hand, so draws far out interpolate it a little differently.
    assert np.mean(np.abs(again.were_k - planned) < 0.15) > 0.97
    kept = kept_on(outlook, planned, np.full(planned.shape[1], number), first=day.first)
    assert again.kept.margin_k == pytest.approx(kept.margin_k, abs=0.1)
    assert again.kept.chance == pytest.approx(kept.chance, abs=0.002)


@pytest.mark.parametrize("number", [0, 1, 2])
def test_draws_that_drove_again_unchanged_leave_the_margins_of_all(alps, number):
    outlook = alps.outlook
    day, columns = outlook.timeline.days[number], columns_of(outlook)
    planned = outlook.spread.were_k[:, day.first : day.last + 1]
    mine, own = planned[:, :, columns], np.full(planned.shape[1], number)
    arguments = own, outlook.sample, outlook.trip.confidence
    again = keep_changed(planned, np.array(columns), mine[: rerun.FIRST], *arguments)
    for found, wanted in zip(again, keep_least(mine, *arguments), strict=True):
        assert found == pytest.approx(wanted, abs=0.005)  # the chance is solved for within a thousandth of a kelvin
    brief = keep_changed(planned, np.array(columns), mine[: rerun.FIRST], *arguments, chances=False)
    assert np.array_equal(brief.margin_k, again.margin_k)
    assert np.array_equal(brief.error_k, again.error_k)


SLOW_LEG = Change(kind="slower", words="", legs=(2,), speed=0.8)
HOUR = Change(kind="hour", words="", shift_s=-3600.0)


def day_of_leg_2(outlook: Forecast) -> int:
    return next(n for n, day in enumerate(outlook.timeline.days) if day.first <= 2 <= day.last)


def changes(*some: Change) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("change", [SLOW_LEG, HOUR, *some], ids=lambda change: change.kind)


@changes(
    Change(kind="heater", words="", legs=(2,), ac_off=True, heater=True),
    Change(kind="load", words="", trailer=0.0, lighter_kg=100.0),
)
def test_few_draws_say_what_all_of_them_say_within_their_error(alps, monkeypatch, change):
    """A change driven with 128 draws, and with all 256 of the plan's first batch."""
    outlook, number = alps.outlook, day_of_leg_2(alps.outlook)
    few = run_day(outlook, number, (change,)).kept
    monkeypatch.setattr(rerun, "FEW", 256)
    every = run_day(outlook, number, (change,)).kept
    close = every.margin_k < 30.0
    assert close.any()
    assert np.all(np.abs(few.margin_k - every.margin_k)[close] < 4.0 * few.error_k[close] + 0.05)
    assert np.all(np.abs(few.chance - every.chance)[close] < 4.0 * few.chance_error[close] + 0.002)


@changes(
    Change(kind="lower gear", words="", legs=(2,), low_gear=True),
    Change(kind="stop", words="", stop_after=1, stop_s=1200.0),
    Change(kind="load", words="", lighter_kg=100.0),
)
def test_a_change_is_driven_from_where_it_begins_as_from_the_morning(alps, change):
    number = day_of_leg_2(alps.outlook)
    unchanged = run_day(alps.outlook, number)
    later = run_day(alps.outlook, number, (change,), unchanged=unchanged)
    whole = run_day(alps.outlook, number, (change,))
    # The step's size is found anew where it begins: worth a tenth of the 0.01 K that the solver is held to.
    assert np.abs(later.were_k - whole.were_k).max() < 1e-3
    assert np.abs(later.nominal_k - whole.nominal_k).max() < 1e-3
    assert later.day == whole.day


def test_loads_from_where_a_change_begins_are_those_of_the_whole_day(alps):
    """The first half is another drive's; to the last digit, as speeds change from one segment to the next."""
    drive, vehicle = alps.outlook.timeline.drive, alps.outlook.car.vehicle
    begin = len(drive.group) // 2
    held = np.arange(len(drive.group)) >= begin
    changed = replace(drive, ac_on=np.where(held, 0.0, drive.ac_on), low_gear=np.where(held, 1.0, drive.low_gear))
    whole, like = make_ready(changed, vehicle), make_ready(drive, vehicle)
    found = make_ready(changed, vehicle, like=like, begin=begin)
    assert not np.array_equal(whole.table, like.table)
    for one, other in ((found.table, whole.table), (found.limit_k, whole.limit_k), (found.car, whole.car)):
        for a, b in zip(one, other, strict=True):
            assert np.array_equal(a, b)
    assert np.array_equal(found.work.fuel_w, whole.work.fuel_w)


@changes(Change(kind="heater", words="", legs=(2,), ac_off=True, heater=True))
def test_what_is_settled_roughly_is_right_within_its_error(alps, change):
    """Only the margin of the fluid asked for is looked for; the others are told within their errors."""
    outlook, number = alps.outlook, day_of_leg_2(alps.outlook)
    unchanged = run_day(outlook, number)
    sure = run_day(outlook, number, (change,), unchanged=unchanged).kept
    for fluid, name in enumerate(fluids_of(outlook)):
        found = run_day(outlook, number, (change,), unchanged=unchanged, fluid=name).kept
        assert (found.margin_k[fluid], found.chance[fluid]) == (sure.margin_k[fluid], sure.chance[fluid])
        assert np.all(np.abs(found.margin_k - sure.margin_k) < 3.0 * np.hypot(found.error_k, sure.error_k) + 0.05)
        told = 3.0 * np.hypot(found.chance_error, sure.chance_error)
        assert np.all(np.abs(found.chance - sure.chance) < told + 5e-4)


def test_a_stretch_begins_as_on_the_plan_s_morning_and_soon_forgets_it(alps):
    """The plan's second day, driven as other legs are: the margins of the plan; begun cold, nearly the same."""
    outlook, number = alps.outlook, 1
    day, columns = outlook.timeline.days[number], columns_of(outlook)
    planned = outlook.spread.were_k[: len(outlook.shift_k), day.first : day.last + 1][:, :, columns]
    own, sample = np.full(planned.shape[1], number), outlook.sample.first(len(planned))
    wanted = keep_least(planned, own, sample, outlook.trip.confidence).margin_k
    cold = replace(outlook, mornings_k=tuple(np.full_like(temps, 285.0) for temps in outlook.mornings_k))
    for begun, within in ((outlook, 0.1), (cold, 0.2)):
        found = run_stretch(begun, outlook.timeline, slice(day.first, day.last + 1))
        assert found.margin_k == pytest.approx(wanted, abs=within)


# --- a grade of twenty minutes, after an hour on the level ---

FOOT, GRADE = 0, 1  # legs: the road to the foot of the grade, and the grade
MINUTES = 20.0


def on_grade_k(outlook: Forecast, *changes: Change) -> np.ndarray:
    """Every node while driving up the grade itself, the car as described."""
    trial = run_day(outlook, 0, changes)
    drive = trial.timeline.drive
    return trial.nominal_k[(drive.group == GRADE) & (drive.speed_m_per_s > 0.0)]


def peak_k(outlook: Forecast, *changes: Change) -> np.ndarray:
    return on_grade_k(outlook, *changes).max(axis=0)


STOP = Change(kind="stop", words="", stop_after=FOOT, stop_s=20.0 * 60.0)
SLOWER = Change(kind="slower", words="", legs=(GRADE,), speed=0.7)


def test_a_stop_before_a_grade_leaves_the_coolant_s_peak_alone(grade):
    # Common practice, no source: coolant's time constant is a minute or two, that of transmission and differential
    # ten and more, so a stop of 20 minutes is forgotten by the coolant half way up, and not quite by the others.
    gain = peak_k(grade) - peak_k(grade, STOP)
    assert abs(gain[COOLANT]) < 2.0
    assert 0.7 < gain[TRANSMISSION] < 8.0
    assert 1.0 < gain[DIFFERENTIAL] < 8.0


def test_slowing_down_on_the_grade_lowers_all_of_them(grade):
    gain = peak_k(grade) - peak_k(grade, SLOWER)
    stop = peak_k(grade) - peak_k(grade, STOP)
    for node in range(COOLANT, DIFFERENTIAL + 1):
        assert gain[node] > 1.0, BODY_KEYS[node]
    assert gain[COOLANT] > stop[COOLANT] + 1.0


def test_what_a_stop_gains_fades_as_the_time_constant_says(grade):
    # tau from the plan's own foot: the cooling left after t is exp(-t / tau), the same tau half way and at the top.
    left = (on_grade_k(grade) - on_grade_k(grade, STOP))[:, DIFFERENTIAL]
    half, whole = left[len(left) // 2] / left[0], left[-1] / left[0]
    assert 0.0 < whole < half < 1.0
    assert whole == pytest.approx(half**2, abs=0.08)


@pytest.mark.parametrize(("minutes", "idling"), [(10.0, False), (45.0, False), (10.0, True)])
def test_a_stop_takes_as_long_as_it_says(grade, minutes, idling):
    plan = run_day(grade, 0)
    trial = run_day(grade, 0, (replace(STOP, stop_s=60.0 * minutes, stop_idling=idling),))
    # The air has changed meanwhile, and with it, by seconds, the speed held.
    assert (trial.day.end_s - plan.day.end_s) / 60.0 == pytest.approx(minutes, abs=0.1)
    (parked,) = (s for s in trial.timeline.spans if s.kind == ("idle" if idling else "cool"))
    assert (parked.leg, parked.place) == (FOOT, "foot")
    assert trial.timeline.drive.duration_s[parked.rows].sum() == pytest.approx(60.0 * minutes)
    assert np.all(trial.timeline.drive.engine_on[parked.rows] == float(idling))


def test_slower_takes_longer_by_the_ratio_of_speeds(grade):
    slow = run_day(grade, 0, (SLOWER,))
    assert slow.day.end_s - run_day(grade, 0).day.end_s == pytest.approx(60.0 * MINUTES * (1.0 / 0.7 - 1.0), abs=1.0)
    other = slow.timeline.drive.group != GRADE
    assert set(np.unique(slow.timeline.drive.speed_m_per_s[other])) == {0.0, 25.0}


@pytest.mark.parametrize("kind", ["ac_off", "heater"])
def test_a_switch_thrown_on_the_grade_cools_nothing_before_it(grade, kind):
    plain = run_day(grade, 0)
    moved = run_day(grade, 0, (Change(kind=kind, words="", legs=(GRADE,), **{kind: True}),))
    driven = plain.timeline.drive.speed_m_per_s > 0.0
    before, on = driven & (plain.timeline.drive.group == FOOT), driven & (plain.timeline.drive.group == GRADE)
    assert np.abs(moved.nominal_k[before] - plain.nominal_k[before]).max() < 0.05
    assert moved.nominal_k[on, COOLANT].max() < plain.nominal_k[on, COOLANT].max() - 1.0
    # Neither has anything to do with the differential, apart from the engine's warmth under the floor.
    assert moved.nominal_k[on, DIFFERENTIAL].max() == pytest.approx(plain.nominal_k[on, DIFFERENTIAL].max(), abs=0.5)


def test_an_hour_s_shift_moves_the_clock_and_the_air(grade):
    plan = run_day(grade, 0)
    early = run_day(grade, 0, (HOUR,))
    assert early.day.start_s - plan.day.start_s == -3600.0
    assert early.timeline.begin_s[0] == plan.timeline.begin_s[0] - 3600.0
    driven = early.timeline.drive.speed_m_per_s > 0.0
    assert np.all(early.timeline.drive.air_k[driven] < plan.timeline.drive.air_k[driven])
    # On the first day the car has stood outside until then: it starts at the air's temperature.
    assert early.nominal_k[0, 3] == pytest.approx(early.timeline.drive.air_k[0], abs=1.0)


def test_half_the_trailer_is_between_all_and_none(grade):
    peaks = [peak_k(grade, Change(kind="load", words="", trailer=share)) for share in (1.0, 0.5, 0.0)]
    for node in range(COOLANT, DIFFERENTIAL + 1):
        assert peaks[0][node] > peaks[1][node] > peaks[2][node], BODY_KEYS[node]
    # None at all is the car without it, as the plain forecast has it.
    solo = outlook_of(grade.trip, with_part(grade.car.vehicle, "trailer", mass_kg=0.0, drag_area_m2=0.0))
    assert peaks[2] == pytest.approx(peak_k(solo), abs=0.05)


def test_changes_add_up(grade):
    plan, both = peak_k(grade), peak_k(grade, SLOWER, STOP)
    assert np.all(both[COOLANT : DIFFERENTIAL + 1] < plan[COOLANT : DIFFERENTIAL + 1])
    assert both[DIFFERENTIAL] < min(peak_k(grade, SLOWER)[DIFFERENTIAL], peak_k(grade, STOP)[DIFFERENTIAL])


def test_air_conditioning_off_regains_speed_on_that_leg_alone(make_trip, road, car):
    """Where the car climbs at full power, what the compressor took goes into speed, as with the leg's own setting."""
    legs = [road("a", "b", 20.0), road("b", "c", 15.0, speed_m_per_s=30.0), road("c", "d", 20.0)]
    places = {key: {"elevation_m": 3240.0} for key in "cd"}
    loaded = with_part(car, "trailer", mass_kg=1500.0, drag_area_m2=1.0)
    outlook = outlook_of(make_trip(legs, places=places), loaded)
    off = run_day(outlook, 0, (Change(kind="A/C off", words="", legs=(1,), ac_off=True),)).timeline.drive
    for leg, faster in ((0, False), (1, True), (2, False)):
        plan, tried = (d.duration_s[(d.group == leg) & (d.speed_m_per_s > 0.0)] for d in (outlook.timeline.drive, off))
        assert (plan.sum() - tried.sum() > 1.0) == faster
    entered = replace(outlook.trip, legs=(legs[0], replace(legs[1], air_conditioning=False), legs[2]))
    again = outlook_of(entered, loaded).timeline.drive
    climb = [d.speed_m_per_s[(d.group == 1) & (d.speed_m_per_s > 0.0)] for d in (again, off)]
    np.testing.assert_allclose(climb[0], climb[1], atol=0.02)
