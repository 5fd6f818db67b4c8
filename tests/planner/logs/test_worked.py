"""A logged engine load: what it says of the engine's work, and what a verdict makes of it.

Expected shares follow from how the load was made up; what a computed load is: SAE J1979, from memory.
"""

from dataclasses import replace
from types import SimpleNamespace

import made_up
import numpy as np
import pytest
from cars import read_class

from planner.files.logmap import Source
from planner.files.logs import Series
from planner.logs.worked import work_share, work_words
from thermal import causes
from thermal.drive import Drive, steady_drive
from thermal.engine import friction_w
from thermal.loads import compute_loads
from thermal.vehicle import Vehicle


@pytest.fixture(scope="module")
def estate() -> Vehicle:
    return read_class("estate-1990s-six").vehicle


def climb() -> Drive:
    """Half an hour on the level, then half an hour up 3 %."""
    drive = steady_drive(minutes=60.0, speed_m_per_s=22.0, grade=0.0, air_k=295.0)
    return replace(drive, grade=np.where(np.arange(len(drive.grade)) < 180, 0.0, 0.03))


def load_of(car: Vehicle, drive: Drive) -> np.ndarray:
    """Load of an engine that does the model's work, a reading each ten seconds."""
    _, work = compute_loads(car, drive)
    rubs = friction_w(car.engine, work.engine_rad_per_s)
    return (work.crank_w + rubs) / (work.available_w + rubs)


def logged(drive: Drive, load: np.ndarray, *, column: str = "Calculated load [%]", share: float = 1.0):
    time_s = np.cumsum(drive.duration_s) - 5.0
    keep = time_s <= share * time_s[-1]
    channels = {
        "speed": Series(time_s=np.array([0.0, 3600.0]), value=np.array([22.0, 22.0])),
        "load": Series(time_s=time_s[keep], value=load[keep]),
    }
    mapping = SimpleNamespace(channels={"load": Source(column=column, unit="percent")})
    return SimpleNamespace(drive=drive, log=SimpleNamespace(channels=channels, mapping=mapping))


def test_the_share_of_work_is_that_of_the_load(estate: Vehicle) -> None:
    drive = climb()
    load = load_of(estate, drive)
    assert np.ptp(load) > 0.1  # the climb shows
    assert work_share(estate, logged(drive, load)) == pytest.approx(1.0, abs=1e-6)
    assert work_share(estate, logged(drive, 1.3 * load)) == pytest.approx(1.3, abs=1e-6)
    heavy = replace(estate, body=replace(estate.body, mass_kg=1.25 * estate.body.mass_kg))
    told = work_share(estate, logged(drive, load_of(heavy, drive)))
    assert 1.05 < told < 1.25  # weight costs work on the climb, none against the air


def test_a_throttle_is_no_load_and_a_short_one_says_nothing(estate: Vehicle) -> None:
    drive = climb()
    load = load_of(estate, drive)
    assert np.isnan(work_share(estate, logged(drive, load, column="Throttle position [%]")))
    assert np.isnan(work_share(estate, logged(drive, load, share=0.4)))
    assert np.isfinite(work_share(estate, logged(drive, load, share=0.8)))
    assert work_words(float("nan")) == ()
    assert "1.30 times the work" in work_words(1.3)[0]


def test_a_logged_load_tells_more_work_from_more_heat(estate: Vehicle) -> None:
    """One log of a car with 1.45 times the heat everywhere, as from work, judged with three loads that it may have."""
    truth = {"engine_heat": 1.45, "gearbox_heat": 1.45, "axle_heat": 1.45}
    log = made_up.made_up_log(estate, seed=3, hours=0.7, truth=truth)
    drive, readings = log.drive(step_s=10.0), log.readings(every_s=60.0)

    def more_work(share: float) -> float:
        found = causes.judge(estate, drive, readings, doubt=causes.Doubt(work=share))
        return sum(v.probability for v in found if v.name == "load")

    as_usual, unknown, harder = more_work(1.0), more_work(float("nan")), more_work(1.45)
    assert as_usual < unknown < harder
    assert harder / (1.0 - harder) > 5.0 * as_usual / (1.0 - as_usual)
