"""The whole car against a measured one: four logged drives of one passenger car, and learning from logs.

The logs lie beside the project, see tests/shared/measured.py; without them these tests are skipped. Fitted on one
drive, tried on the others; the bounds are what was found plus a fifth, so they hold a change of the model to what it
explained before. The goal is 3 K.
"""

import dataclasses

import numpy as np
import pytest
from cars import read_class, with_part
from measured import (
    DRIVES,
    FITTED,
    GOAL_K,
    LOGS,
    MEASURED_CLASS,
    NAMES,
    Measured,
    error_of,
    learn,
    read_measured,
    to_80c,
)

from thermal import fit, log_drive
from thermal.drive import Drive, steady_drive
from thermal.errors import ParameterError
from thermal.fluids import N_BODY
from thermal.simulate import nominal, simulate
from thermal.spread import CLASS_SPREAD
from thermal.vehicle import Vehicle

measured_logs = pytest.mark.skipif(not LOGS.is_dir(), reason=f"the measured drives are not at {LOGS}")


@pytest.fixture(scope="module")
def drives() -> dict[str, Measured]:
    return {day: read_measured(day, LOGS) for day in DRIVES}


@pytest.fixture(scope="module")
def found(drives: dict[str, Measured]) -> fit.Fit:
    """Fitted on the only drive with a whole warm-up and no gap."""
    return learn(FITTED, drives)


# --- the measured car -------------------------------------------------------------------------------------------------


@measured_logs
@pytest.mark.parametrize(
    ("day", "warm_up_k", "plateau_k"),
    [
        ("2017-07-10", None, 1.0),
        # above the goal: the log lost 3.5 of the first 6 minutes and cold friction is not modelled
        ("2017-07-13", 4.5, 2.5),
        # -9 degC: the cabin heater decides; the model's gives less than this car's at low engine speed
        ("2018-02-26", 3.6, 3.2),
    ],
)
def test_held_out_drives(drives, found, day: str, warm_up_k: float | None, plateau_k: float) -> None:
    """Coolant from speed and outside air alone, on drives that took no part in the fit."""
    error = error_of(drives[day], found.vehicle, found.factors)
    assert error.plateau <= plateau_k
    if day != "2018-02-26":
        assert error.whole <= GOAL_K
    if warm_up_k is not None:
        assert error.warm_up <= warm_up_k


@measured_logs
def test_the_class_as_it_stands_is_close(drives) -> None:
    """No fit at all: 3.3 K or less over every whole drive, inside the +-8 K promised; bounded a fifth above."""
    car = read_class(MEASURED_CLASS).vehicle
    assert all(error_of(one, car).whole <= 4.0 for one in drives.values())


@measured_logs
def test_the_fit_helps_where_it_was_not_fitted(drives, found) -> None:
    """Mean square error over the two drives that had no part in any choice, against the class as it stands.

    The class alone is 1.5 K off now, so little is left to gain; the bound on the sum is what was found plus a fifth.
    """
    car = read_class(MEASURED_CLASS).vehicle
    days = ("2017-07-10", "2017-07-13")
    before = sum(error_of(drives[day], car).whole ** 2 for day in days)
    after = sum(error_of(drives[day], found.vehicle, found.factors).whole ** 2 for day in days)
    assert after < 0.9 * before
    assert after < 4.6


@measured_logs
def test_a_hot_day_cannot_tell_the_heater_and_a_cold_one_can(drives, found) -> None:
    """29 degC against -8 degC; the hot drive must leave the heater at its prior."""
    heater = NAMES.index("cooling.heater_w_per_k")
    assert found.estimate[heater] == pytest.approx(1.0, abs=0.01)
    assert found.learned[heater] < 0.05
    assert learn("2018-02-26", drives).learned[heater] > 0.8


@measured_logs
def test_readings_are_not_taken_for_independent(found) -> None:
    """The model's own error lasts for half an hour: a drive of less than an hour shows it about twice."""
    assert found.n_readings > 200
    assert 1.0 < found.n_effective < 4.0


@measured_logs
def test_minutes_to_80_degc_in_summer(drives, found) -> None:
    """26 drives of the data set, start below 36, air 12 degC or more: quartiles 8.4 / 9.4 / 10.8, range 6-19 min."""
    minutes = [to_80c(one, found, start_c=25.0, air_c=20.0)[0] for one in drives.values()]
    assert 8.4 <= np.median(minutes) <= 10.8
    assert all(6.0 <= one <= 19.0 for one in minutes)


@measured_logs
def test_minutes_to_80_degc_in_winter(drives, found) -> None:
    """12 drives, start below 18, air 0 degC or less: quartiles 12.8 / 13.2 / 14.2, range 11.6-33.6 min; some never.

    The median of the three drives that move; the fourth is a traffic jam and stays cold, as 5 of the 77 did.
    """
    minutes = {day: to_80c(one, found, start_c=5.0, air_c=-3.0)[0] for day, one in drives.items()}
    assert np.isnan(minutes.pop("2017-07-10"))
    assert 11.6 <= np.median(list(minutes.values())) <= 14.2
    assert all(11.6 <= one <= 33.6 for one in minutes.values())


@measured_logs
def test_plateau_and_its_slope(drives, found) -> None:
    """77 drives: mean once warm 83-92 degC; slope 0.065 K per K over 60. Bounded to half and three times the slope."""
    means = {a: [to_80c(one, found, start_c=85.0, air_c=a)[1] for one in drives.values()] for a in (-5.0, 25.0)}
    assert all(83.0 <= mean <= 92.0 for row in means.values() for mean in row)
    slope = np.median([(hot - cold) / 30.0 for cold, hot in zip(means[-5.0], means[25.0], strict=True)])
    assert 0.03 <= slope <= 0.2


# --- the fit against a car whose truth is known -----------------------------------------------------------------------


def made_up(vehicle: Vehicle, *, noise_k: float, **truth: float) -> tuple[Drive, log_drive.Readings]:
    """A drive with hills and its readings of every fluid, from a car that differs from its description."""
    time_s = np.arange(0.0, 5400.0, 1.0)
    speed = np.clip(22.0 + 9.0 * np.sin(time_s / 300.0), 0.0, None)
    height = 400.0 + 250.0 * np.sin(time_s / 700.0)
    drive = log_drive.drive_from_log(time_s, speed, np.full(5400, 300.0), elevation_m=height, step_s=5.0)
    factors = nominal()._replace(**{name: np.array([value]) for name, value in truth.items()})
    start = np.full(N_BODY, 300.0)
    temps = simulate(drive, vehicle, start_k=start, factors=factors).temps_k[0, 5::6]
    seen = np.full(temps.shape, np.nan)
    noise = np.random.default_rng(3).normal(0.0, noise_k, temps[:, 1:5].shape)
    seen[:, 1:5] = temps[:, 1:5] + noise
    at_s = np.cumsum(drive.duration_s)[5::6]
    return drive, log_drive.Readings(time_s=at_s, temp_k=seen, start_k=start)


def test_a_thermostat_is_learnt_in_kelvins(estate: Vehicle) -> None:
    open_k, full_k = estate.cooling.thermostat_open_k - 4.0, estate.cooling.thermostat_full_k - 4.0
    cooler = with_part(estate, "cooling", thermostat_open_k=open_k, thermostat_full_k=full_k)
    drive, readings = made_up(cooler, noise_k=0.3)
    got = fit.fit_factors(estate, [drive], [readings], ["thermostat"])
    # A kelvin or so may be the model's own error or the gauge's, so one drive brings it most of the way.
    assert got.standard_error[0] < 1.5
    assert got.estimate[0] == pytest.approx(-4.0, abs=0.6)
    assert got.vehicle.cooling.thermostat_open_k == pytest.approx(open_k, abs=0.6)


def test_what_the_log_cannot_tell_stays_at_its_prior(estate: Vehicle) -> None:
    """Coolant alone says nothing about the final drive."""
    drive, readings = made_up(estate, noise_k=0.3, axle_heat=1.4)
    blind = readings.temp_k.copy()
    blind[:, 2:] = np.nan
    got = fit.fit_factors(estate, [drive], [dataclasses.replace(readings, temp_k=blind)], ["axle_heat"])
    assert got.estimate[0] == pytest.approx(1.0, abs=0.01)
    assert got.learned[0] < 0.01
    low, high = got.interval(0)
    assert low == pytest.approx(np.exp(-1.645 * CLASS_SPREAD["axle_heat"]), rel=0.02)
    assert high == pytest.approx(np.exp(1.645 * CLASS_SPREAD["axle_heat"]), rel=0.02)


def test_unknown_names_are_refused() -> None:
    with pytest.raises(ParameterError, match="did you mean capacity"):
        fit.unknown("capacty")


def test_autocorrelation_time_of_a_known_process() -> None:
    """First-order process: (1 + r) / (1 - r), a textbook result; r 0.8 gives 9."""
    rng = np.random.default_rng(1)
    series = np.zeros(40_000)
    for i, shock in enumerate(rng.normal(size=len(series) - 1)):
        series[i + 1] = 0.8 * series[i] + shock
    assert fit.autocorrelation_time(series) == pytest.approx(9.0, rel=0.1)
    assert fit.autocorrelation_time(rng.normal(size=40_000)) == pytest.approx(1.0, abs=0.1)


# --- a drive out of a log ---------------------------------------------------------------------------------------------


def test_a_steady_log_is_a_steady_drive(estate: Vehicle) -> None:
    time_s = np.arange(0.0, 3601.0, 0.5)
    drive = log_drive.drive_from_log(time_s, np.full(len(time_s), 25.0), np.full(len(time_s), 290.0), elevation_m=0.0)
    ours = simulate(drive, estate).temps_k[0, -1]
    plain = steady_drive(minutes=60, speed_m_per_s=25.0, grade=0.0, air_k=290.0)
    assert ours == pytest.approx(simulate(plain, estate).temps_k[0, -1], abs=0.2)


def test_distance_is_kept_through_stops() -> None:
    """Stop and go, uneven rows, a row repeated and one that runs backward: the integral of speed over time."""
    rng = np.random.default_rng(2)
    time_s = np.sort(rng.uniform(0.0, 1800.0, 6000))
    speed = np.clip(12.0 * np.sin(time_s / 40.0), 0.0, None)
    even_s = np.arange(time_s[0], time_s[-1], 3.0)[[0, -1]]  # what is left of the last segment is cut off
    fine_s = np.linspace(*even_s, 200_000)
    whole = float(np.trapezoid(np.interp(fine_s, time_s, speed), fine_s))
    time_s, speed = np.insert(time_s, 3000, time_s[2990]), np.insert(speed, 3000, 99.0)
    drive = log_drive.drive_from_log(time_s, speed, np.full(len(time_s), 290.0), elevation_m=0.0)
    assert float(drive.length_m.sum()) == pytest.approx(whole, rel=2e-3)
    assert np.all(drive.end_speed_m_per_s[drive.speed_m_per_s == 0.0] == 0.0)
    assert 0.3 < np.mean(drive.speed_m_per_s == 0.0) < 0.6


def test_a_long_gap_is_a_stop_and_a_short_one_is_driven() -> None:
    time_s = np.concatenate((np.arange(0.0, 300.0), np.arange(360.0, 600.0), np.arange(2400.0, 2700.0)))
    drive = log_drive.drive_from_log(time_s, np.full(len(time_s), 20.0), np.full(len(time_s), 290.0), elevation_m=0.0)
    middle_s = np.cumsum(drive.duration_s) - 1.5
    parked = (middle_s > 603.0) & (middle_s < 2397.0)
    assert np.all(drive.engine_on[parked] == 0.0)
    assert np.all(drive.speed_m_per_s[parked] == 0.0)
    driven = (middle_s < 597.0) | (middle_s > 2403.0)
    assert np.all(drive.engine_on[driven] == 1.0)
    assert drive.speed_m_per_s[driven] == pytest.approx(20.0)


def test_heights_become_grades() -> None:
    time_s = np.arange(0.0, 601.0)
    drive = log_drive.drive_from_log(time_s, np.full(601, 20.0), np.full(601, 290.0), elevation_m=100.0 + 1.0 * time_s)
    assert drive.grade == pytest.approx(0.05)
    assert drive.elevation_m[-1] == pytest.approx(698.5)


def test_a_log_with_holes_is_refused() -> None:
    with pytest.raises(ParameterError, match="air_k"):
        log_drive.drive_from_log(np.arange(9.0), np.ones(9), np.full(9, np.nan), elevation_m=0.0)
