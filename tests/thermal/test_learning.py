"""Fits and verdicts against made-up logs whose truth is known: a car that is not the model, gauges that lag and round.

The generator, tests/shared/made_up.py, differs from the fitted model in its lags, gusts and gauges, so that agreement
is not the model agreeing with itself. docs/learning.md holds the same over more logs; the bounds here are those of the
task, with the scatter of the smaller number of logs allowed for.
"""

from dataclasses import replace

import made_up
import numpy as np
import pytest
from cars import ESTATE, read_class
from other_car import draw_car
from other_logs import Day, make_log

from thermal import causes, fit
from thermal.drive import Drive
from thermal.errors import ParameterError
from thermal.fluids import FACTOR_RANGE, FACTORS, N_BODY, fluid_of
from thermal.leaps import Leap
from thermal.log_drive import Readings
from thermal.posterior import NOTHING, Factor, Posterior, fit_table, posterior_from, read_posterior
from thermal.spread import CLASS_SPREAD, draw, medians
from thermal.vehicle import Vehicle

NAMES = ("engine_heat", "airflow", "axle_heat", "axle_loss")


def truth_of(seed: int, names: tuple[str, ...] = NAMES) -> dict[str, float]:
    rng = np.random.default_rng(1000 + seed)
    return {name: float(np.exp(rng.normal(0.0, CLASS_SPREAD[name]))) for name in names}


def one_log(car: Vehicle, seed: int, truth: dict[str, float], **how) -> tuple[Drive, Readings]:
    log = made_up.made_up_log(car, seed=seed, truth=truth, **how)
    return log.drive(step_s=10.0), log.readings(every_s=30.0)


def test_intervals_cover_the_truth_and_estimates_come_nearer_to_it(estate: Vehicle) -> None:
    """90 % intervals over 50 logs of 40 minutes, truths drawn from the prior: 85 to 95 %, and 2 % more for chance.

    Standard error of the share: the four unknowns of a log are not independent, so between 2 and 4 %. The mean square
    error of the logarithms is at most 0.7 of the prior's, which is the class's own: an error of the model's, which
    these logs do not have, lets one of 40 minutes tell no more.
    """
    inside, before, after = [], [], []
    for seed in range(50):
        truth = truth_of(seed)
        drive, readings = one_log(estate, seed, truth, hours=0.67, air_k=303.0)
        got = fit.fit_factors(estate, [drive], [readings], NAMES)
        wanted = np.log(list(truth.values()))
        miss = np.log(got.estimate) - wanted
        inside.append(np.abs(miss) / got.standard_error < 1.645)
        before.append(wanted**2)
        after.append(miss**2)
    assert 0.83 <= np.mean(inside) <= 0.97
    assert np.mean(after) < 0.7 * np.mean(before)


def test_a_fit_finds_no_more_than_its_file_may_say(estate: Vehicle) -> None:
    """Five and a half times the heat is beyond what a vehicle file may say, so the fit ends at the range."""
    drive, readings = one_log(estate, 5, {"axle_heat": 5.6}, hours=0.7, air_k=285.0)
    got = fit.fit_factors(estate, [drive], [readings], ["axle_heat"], spreads={"axle_heat": 1.0})
    assert got.estimate.tolist() == [FACTOR_RANGE[1]]
    found, problems = fit.posterior_of(got, "a log"), []
    assert read_posterior(fit_table(found), "[fit]", problems).factors.keys() == {"axle_heat"}
    assert not problems


def test_two_logs_tell_more_than_one(estate: Vehicle) -> None:
    truth = truth_of(1)
    pairs = [one_log(estate, seed, truth, hours=1.0, air_k=303.0) for seed in (1, 2)]
    one = fit.fit_factors(estate, [pairs[0][0]], [pairs[0][1]], NAMES)
    both = fit.fit_factors(estate, [p[0] for p in pairs], [p[1] for p in pairs], NAMES)
    assert np.all(both.standard_error < one.standard_error)
    assert both.n_effective == pytest.approx(2.0 * one.n_effective, rel=0.3)


def test_churning_is_told_from_mesh(estate: Vehicle) -> None:
    """The differential of the car churns 1.8 times as much as its file says, and its mesh is as the file says."""
    true = replace(estate, axle=replace(estate.axle, spin_loss_w=1.8 * estate.axle.spin_loss_w))
    drive, readings = one_log(true, 11, {}, hours=1.5, air_k=295.0)
    trial, read = one_log(true, 13, {}, hours=1.0, air_k=303.0, steepest=0.02)
    left = []
    for names in (["axle_heat", "axle_loss", "axle.spin_loss_w"], ["axle_heat", "axle_loss"]):
        got = fit.fit_factors(estate, [drive], [readings], names)
        left.append(fit.rmse_k(fit.residuals_k(got.vehicle, trial, read, factors=got.factors)[:, 4]))
        if len(names) == 3:
            low, high = got.interval(2)
            assert 1.0 < low < 1.8 < high
            assert got.learned[2] > 0.5
            # a file keeps no spread of the churning: that of the mesh is the one at the churning found (normal
            # distribution, conditional variance: any textbook)
            kept, whole, c = got.kept_covariance([0, 1]), got.covariance, got.covariance[:2, 2]
            assert kept == pytest.approx(whole[:2, :2] - np.outer(c, c) / whole[2, 2])
            assert kept[0, 0] < 0.8 * whole[0, 0]
    assert left[0] < left[1]


def test_what_is_known_already_is_where_a_fit_begins(estate: Vehicle) -> None:
    """A log that says nothing leaves what was learnt before, correlation included."""
    drive, readings = one_log(estate, 1, {}, hours=0.5, air_k=300.0)
    blind = replace(readings, temp_k=np.where(np.arange(N_BODY) == fluid_of("coolant").node, readings.temp_k, np.nan))
    known = posterior_from(
        ("axle_heat", "axle_loss"), np.array([1.3, 0.9]), np.array([[0.01, 0.005], [0.005, 0.01]]), "x"
    )
    got = fit.fit_factors(estate, [drive], [blind], ["axle_heat", "axle_loss"], known=known)
    assert got.estimate == pytest.approx([1.3, 0.9], rel=1e-3)
    assert got.correlation[0, 1] == pytest.approx(0.5, abs=0.01)
    assert got.standard_error == pytest.approx(0.1, rel=0.01)


# --- what was learnt, in the file and in the draws --------------------------------------------------------------------

KNOWN = Posterior(
    factors={
        "airflow": Factor(value=0.8, sd=0.05, source="a log"),
        "radiator": Factor(value=1.1, sd=0.06, source="a log"),
    },
    correlation={("airflow", "radiator"): -0.8},
)


def test_draws_follow_what_was_learnt() -> None:
    factors, _ = draw(4096, ambient_sd_k=np.ones(1), posterior=KNOWN)
    assert np.median(factors.airflow) == pytest.approx(0.8, rel=0.005)
    assert np.std(np.log(factors.airflow)) == pytest.approx(0.05, rel=0.03)
    assert np.std(np.log(factors.capacity)) == pytest.approx(CLASS_SPREAD["capacity"], rel=0.03)
    assert np.corrcoef(np.log(factors.airflow), np.log(factors.radiator))[0, 1] == pytest.approx(-0.8, abs=0.02)
    assert [float(x[0]) for x in (medians(KNOWN).airflow, medians(KNOWN).capacity)] == [0.8, 1.0]


def test_a_car_nobody_logged_is_drawn_as_before() -> None:
    plain, shift = draw(64, ambient_sd_k=np.ones(2))
    again, same = draw(64, ambient_sd_k=np.ones(2), posterior=NOTHING)
    assert all(np.array_equal(a, b) for a, b in zip(plain, again, strict=True))
    assert np.array_equal(shift, same)


def test_learnt_factors_survive_the_file() -> None:
    own = (
        '[fit]\nairflow = {value = 0.8, sd = 0.05, source = "a log"}\n'
        'radiator = {value = 1.1, sd = 0.06, source = "a log"}\n[fit.correlation]\nairflow = {radiator = -0.8}\n'
    )
    found = read_class(ESTATE, own)
    assert found.spread == KNOWN
    assert "fit.airflow" not in found.overridden
    assert read_class(ESTATE).spread == NOTHING


@pytest.mark.parametrize(
    ("own", "told"),
    [
        ('[fit]\nairflw = {value = 0.8, sd = 0.05, source = "a"}\n', "did you mean 'airflow'"),
        ('[fit]\nairflow = {value = 0.8, sd = 0.0, source = "a"}\n', "sd above 0"),
        ('[fit]\nairflow = {value = "0.8", sd = 0.1, source = "a"}\n', "write {value"),
        ("[fit]\nairflow = {value = 0.8, sd = 0.1}\n", "write {value"),
        (
            '[fit]\nairflow = {value = 0.8, sd = 0.1, source = "a"}\n[fit.correlation]\nairflow = {radiator = 0.2}\n',
            "both",
        ),
        ("fit = 3\n", "must be a section"),
    ],
)
def test_a_bad_fit_section_is_told(own: str, told: str) -> None:
    with pytest.raises(ParameterError, match=told):
        read_class(ESTATE, own)


# --- causes -----------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def known_car(estate: Vehicle) -> tuple[Vehicle, Posterior]:
    """The estate after two hours of a sound drive have been learnt from."""
    names = [n for n in FACTORS if n != "brake_heat"]
    drive, readings = one_log(estate, 50, {}, hours=2.0, air_k=301.0)
    got = fit.fit_factors(estate, [drive], [readings], names)
    return estate, posterior_from(names, got.estimate, got.covariance, "a log", got.discrepancy)


def verdict(known: tuple[Vehicle, Posterior], seed: int, *, air_k: float = 306.0, shift_k: float = 0.0, **truth: float):
    car, posterior = known
    true = causes.faulty_thermostat(car, shift_k) if shift_k else car
    drive, readings = one_log(true, seed, truth, hours=1.5, air_k=air_k)
    return causes.judge(car, drive, readings, posterior=posterior)


@pytest.mark.parametrize(
    ("cause", "fault"),
    [
        ("engine_heat", {"engine_heat": 1.4}),
        ("thermostat_open", {"shift_k": -60.0}),
        ("thermostat_late", {"shift_k": 15.0}),
        ("oil_cooler", {"oil_cooler": 0.35}),
        # On a car whose error is the class's, 9 K on the transmission, × 1.7 stays 'usual' and × 2 is told at 3 in 4.
        ("gearbox_heat", {"gearbox_heat": 2.3}),
        ("axle_heat", {"axle_heat": 1.7}),
    ],
)
def test_a_clear_fault_is_named(known_car, cause: str, fault: dict[str, float]) -> None:
    found = verdict(known_car, 900, **fault)
    assert found[0].name == cause
    assert found[0].probability > 0.8
    assert sum(v.probability for v in found) == pytest.approx(1.0)
    assert [v.probability for v in found] == sorted((v.probability for v in found), reverse=True)


def test_less_air_and_a_worse_radiator_are_told_as_cooling(known_car) -> None:
    assert verdict(known_car, 901, airflow=0.45)[0].name in ("airflow", "radiator")


@pytest.mark.parametrize("seed", range(3))
def test_hotter_weather_is_not_blamed_on_the_car(known_car, seed: int) -> None:
    """12 K hotter than the drive learnt from, nothing else. Asked for is under one in twenty; here none of three."""
    found = verdict(known_car, 910 + seed, air_k=313.0)
    assert found[0].name == causes.USUAL
    assert found[0].probability > 0.8


def test_gauges_that_are_off_or_stuck_are_named(known_car) -> None:
    car, posterior = known_car
    drive, readings = one_log(car, 920, {}, hours=1.5, air_k=306.0)
    off, stuck = readings.temp_k.copy(), readings.temp_k.copy()
    off[:, 1] += 11.0
    stuck[40:, 3] = stuck[40, 3]
    assert causes.judge(car, drive, replace(readings, temp_k=off), posterior=posterior)[0].name == "offset_1"
    assert causes.judge(car, drive, replace(readings, temp_k=stuck), posterior=posterior)[0].name == "stuck_3"


@pytest.mark.parametrize("change_k", [12.0, -12.0])
def test_a_gauge_that_leaps_on_the_way_is_not_a_thermostat(known_car, change_k: float) -> None:
    """12 K between two readings, at a moment between those tried: a fault of the car takes minutes."""
    car, posterior = known_car
    drive, readings = one_log(car, 921, {}, hours=1.5, air_k=300.0)
    leapt, late = readings.temp_k.copy(), readings.time_s >= 2520.0
    leapt[late, 1] += change_k
    seen = replace(readings, temp_k=leapt)
    found = causes.judge(car, drive, seen, posterior=posterior, leaps=[Leap(1, 2520.0, change_k)])
    assert (found[0].name, found[0].onset_s, found[0].value) == ("offset_1", 2520.0, change_k)
    assert found[0].probability > 0.95
    assert found[0].effect_k == pytest.approx(12.0)
    without = causes.judge(car, drive, seen, posterior=posterior)
    assert without[0].name.startswith("thermostat")


def test_a_verdict_does_not_hang_on_how_often_the_logger_wrote(known_car) -> None:
    """Odds of readings every 15, 25, 60 and 120 s, all for the fault, within 5 times; each at its word gives e^10."""
    car, posterior = known_car
    log = made_up.made_up_log(car, seed=930, truth={"axle_heat": 1.4}, hours=1.5, air_k=306.0)
    odds = []
    for every_s in (15.0, 25.0, 60.0, 120.0):
        found = causes.judge(car, log.drive(step_s=10.0), log.readings(every_s=every_s), posterior=posterior)
        share = {v.name: v.probability for v in found}
        odds.append(np.log((share.get("axle_heat", 0.0) + share.get("axle_loss", 0.0) + 1e-9) / share[causes.USUAL]))
    assert min(odds) > np.log(10.0), odds
    assert np.ptp(odds) < np.log(5.0), odds


def test_one_reading_a_minute_is_the_first_of_every_gauge() -> None:
    """Gauges read at different seconds keep one each; a log written more rarely keeps all."""
    temp_k = np.full((5, N_BODY), np.nan)
    temp_k[[0, 1, 3], 1], temp_k[[2, 4], 2] = (300.0, 301.0, 302.0), (310.0, 311.0)
    seen = Readings(time_s=np.array([0.0, 15.0, 45.0, 70.0, 150.0]), temp_k=temp_k, start_k=np.full(N_BODY, 300.0))
    kept = seen.every(60.0)
    assert kept.time_s.tolist() == [0.0, 45.0, 70.0, 150.0]
    assert [kept.temp_k[np.isfinite(kept.temp_k[:, b]), b].tolist() for b in (1, 2)] == [[300.0, 302.0], [310.0, 311.0]]
    rare = kept.every(20.0)
    np.testing.assert_array_equal(rare.temp_k, kept.temp_k)


def test_a_log_says_which_faults_it_could_not_have_told(known_car) -> None:
    """In cool air on the move a fan is not needed, and whether it turns does not show; a thermostat stuck open does."""
    car, posterior = known_car
    drive, readings = one_log(car, 940, {}, hours=1.5, air_k=288.0)
    found = causes.judge(car, drive, readings, posterior=posterior)
    unseen = next(v.unseen for v in found if v.name == causes.USUAL)
    assert "fan" in unseen
    assert "thermostat_open" not in unseen


def test_a_log_says_that_it_could_not_have_told_a_gauge_that_is_off(known_car) -> None:
    """A gauge 10 K off, its fluid's model off by 9 K: seen at a cold start; later neither accused nor cleared."""
    car, _ = known_car
    drive, readings = one_log(car, 941, {}, hours=1.5, air_k=300.0)
    off = readings.temp_k.copy()
    off[:, 3] += 10.0
    assert causes.judge(car, drive, replace(readings, temp_k=off), posterior=NOTHING)[0].name == "offset_3"
    off[readings.time_s < 1800.0, 3] = np.nan
    found = causes.judge(car, drive, replace(readings, temp_k=off), posterior=NOTHING)
    usual = next(v for v in found if v.name == causes.USUAL)
    assert found[0].name == causes.USUAL
    assert "offset_3" in usual.unseen
    assert "offset_1" not in usual.unseen  # coolant 12 K off would show


def test_an_automatics_fluid_alone_does_not_accuse_the_coolant_pump() -> None:
    """A sound V8 of another build on cold hills: its fluid is 15 K and more from what one log taught, coolant is not.

    Too little coolant leaves the radiator's tank colder, and the fluid in its cooler with it. The model does not know
    how much; while it was believed, such a car was accused (odds 3 to 1).
    """
    vehicle = read_class("saloon-1980s-v8-automatic").vehicle
    one = draw_car(vehicle, 4)
    taught = make_log(one, Day(road="mixed", hours=1.5, air_c=19.0, every_s=2), 4000)
    names = [n for n in FACTORS if n not in ("brake_heat", "mass", "drag", "wind")]
    found = fit.fit_factors(vehicle, [taught.drive], [taught.readings], names)
    known = fit.posterior_of(found, "one log")
    day = make_log(one, Day(road="hills", hours=1.2, air_c=12.0), 4102)
    said = causes.judge(found.vehicle, day.drive, day.readings, posterior=known)
    share = {v.name: v.probability for v in said}
    assert causes.USUAL in {v.name for v in causes.alike(said)}
    assert share[causes.USUAL] > 0.75
    assert share.get("flow", 0.0) < 0.1
