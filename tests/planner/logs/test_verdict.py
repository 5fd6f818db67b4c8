"""What the review says first, and when it says that it does not know; pressures that fall by themselves.

Expected sentences follow from the readings by hand; the rule for oil pressure is common practice, no source.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from cars import read_class

from planner.files.logs import Series
from planner.logs import pressures, verdict
from planner.model.display import METRIC, US
from thermal.causes import Verdict
from thermal.drive import steady_drive
from thermal.fluids import N_BODY
from thermal.log_drive import Readings
from thermal.vehicle import Vehicle

RPM = 2.0 * np.pi / 60.0


@pytest.fixture(scope="module")
def estate() -> Vehicle:
    return read_class("estate-1990s-six").vehicle


def driven(coolant_k: np.ndarray, channels: dict | None = None) -> SimpleNamespace:
    """A log of an hour at sea level, a coolant reading every half minute."""
    temp = np.full((len(coolant_k), N_BODY), np.nan)
    temp[:, 1] = coolant_k
    time_s = 30.0 * np.arange(len(coolant_k))
    return SimpleNamespace(
        drive=steady_drive(minutes=60.0, speed_m_per_s=20.0, grade=0.0, air_k=300.0),
        readings=Readings(time_s=time_s, temp_k=temp, start_k=np.full(N_BODY, 300.0)),
        fluids=("coolant",),
        log=SimpleNamespace(channels=channels or {}),
    )


def test_a_limit_passed_is_told_first_and_for_how_long(estate: Vehicle) -> None:
    """Ten readings in a row, half a minute each, above the limit: five minutes."""
    limit = estate.coolant_limit.limit_k
    coolant = np.full(118, limit - 20.0)
    coolant[60:70] = limit + 2.0
    told = verdict.passed_words(estate, driven(coolant), US)
    assert told[0].startswith("LIMIT PASSED: coolant read")
    assert "above it: 5 min" in told[0]
    assert verdict.passed_words(estate, driven(np.full(118, limit - 40.0)), US) == ()
    near = np.full(118, estate.coolant_limit.caution_k + 1.0)
    assert verdict.passed_words(estate, driven(near), US)[0].startswith("Caution passed: coolant")


def said(*parts: tuple[str, float], passed: bool = False) -> str:
    found = tuple(Verdict(name=name, words=f"cause {name}", probability=p, value=0.7, rmse_k=1.0) for name, p in parts)
    return verdict.verdict_words(found, passed=passed)


def test_it_does_not_calm_after_a_limit_and_prints_no_odds_that_nobody_counted() -> None:
    assert "That makes them no safer" in said(("usual", 0.95), passed=True)
    assert "odds above 20 to 1" in said(("airflow", 0.9999))
    assert "odds 19 to 1" in said(("airflow", 0.95))


def test_it_says_that_it_cannot_tell_and_that_nothing_tried_explains() -> None:
    assert said(("oil_heat", 0.6), ("usual", 0.3)).startswith("Cannot tell:")
    assert said(("oil_heat", 0.8), ("usual", 0.12)).startswith("Cannot tell:")  # no accusation on a likelihood
    assert said(("usual", 0.7), ("oil_heat", 0.2)).startswith("Cannot tell:")  # nor calm on one: it had 0.75 before
    assert said(("usual", 0.8), ("oil_heat", 0.2)).startswith("Nothing unusual found")
    assert said(("unexplained_1", 0.9), ("usual", 0.05)).startswith("Something that no cause tried here explains")
    kin = said(("airflow", 0.5), ("radiator", 0.4))
    assert kin.startswith("It is the car: the cooling system passes less heat")


def test_what_a_calm_log_could_not_have_told_is_said_kin_as_one() -> None:
    one = Verdict(
        name="usual", words="nothing", probability=0.95, value=0.0, rmse_k=1.0, unseen=("fan", "flow", "oil_cooler")
    )
    told = verdict.verdict_words((one,))
    assert told.endswith(
        "It could not have detected: the cooling system passes less heat; the oil cooler rejects less heat: "
        "blocked, its "
        "thermostat shut."
    )
    assert "could not have detected" not in verdict.verdict_words((replace(one, unseen=()),))


def test_when_a_cause_began_and_on_which_grade() -> None:
    drive = steady_drive(minutes=60.0, speed_m_per_s=20.0, grade=0.05, air_k=300.0)
    one = Verdict(name="airflow", words="less air", probability=0.95, value=0.5, rmse_k=1.0, onset_s=1800.0)
    assert "from about minute 30 on a climb of 5%" in verdict.verdict_words((one,), drive, METRIC)


# --- pressures --------------------------------------------------------------------------------------------------------


def oil_log(estate: Vehicle, *, share: np.ndarray) -> SimpleNamespace:
    """An hour of rpm between 1,500 and 3,000, oil at 100 degC, pressure below the relief valve times a share."""
    time_s = np.arange(0.0, 3600.0, 5.0)
    rpm = 2250.0 + 750.0 * np.sin(time_s / 90.0)
    thick = float(estate.engine_oil.oil.viscosity_m2_per_s(np.asarray(373.15)))
    pressure = 2.5e5 * rpm / 2250.0 * share * (thick / thick)
    channels = {
        "oil_pressure": Series(time_s=time_s, value=pressure),
        "rpm": Series(time_s=time_s, value=rpm * RPM),
        "engine_oil": Series(time_s=time_s, value=np.full(len(time_s), 373.15)),
    }
    return driven(np.full(118, 360.0), channels)


def test_a_pressure_that_falls_by_itself_is_told(estate: Vehicle) -> None:
    n = len(np.arange(0.0, 3600.0, 5.0))
    assert pressures.pressure_words(estate, oil_log(estate, share=np.ones(n))) == ()
    fell = np.where(np.arange(n) > 600, 0.55, 1.0)
    told = pressures.pressure_words(estate, oil_log(estate, share=fell))
    assert any("Oil pressure fell to 5" in text or "LOW OIL PRESSURE" in text for text in told)
    gone = np.where(np.arange(n) > 600, 0.1, 1.0)
    assert pressures.pressure_words(estate, oil_log(estate, share=gone))[0].startswith("LOW OIL PRESSURE")


def test_the_cooler_is_judged_only_with_its_thermostat_open(estate: Vehicle) -> None:
    """The same drop that vanishes: a burst line with hot oil, nothing to say while the cooler's thermostat is shut."""
    n = len(np.arange(0.0, 3600.0, 5.0))
    log = oil_log(estate, share=np.ones(n))
    rpm = log.log.channels["rpm"]
    drop = Series(time_s=rpm.time_s, value=3e4 * (rpm.value / 235.0) ** 1.4 * np.where(np.arange(n) > 500, 0.2, 1.0))
    oil_k = max(estate.oil_cooler.full_k + 5.0, 373.15)
    for temp_k, told in ((oil_k, True), (estate.oil_cooler.open_k - 5.0, False)):
        oil = replace(log.log.channels["engine_oil"], value=np.full(n, temp_k))
        one = driven(np.full(118, 360.0), {**log.log.channels, "cooler_drop": drop, "engine_oil": oil})
        said = [text for text in pressures.pressure_words(estate, one) if "burst line" in text]
        assert bool(said) == told
