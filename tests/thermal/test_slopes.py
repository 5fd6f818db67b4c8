"""Road load and wind of a draw against the same drive worked out anew: the slopes must give what the loads would."""

from dataclasses import replace

import numpy as np
import pytest
from cars import C0, MPH, read_class, with_part

from thermal.bands import rated_trailer
from thermal.drive import Drive, steady_drive
from thermal.loads import compute_loads
from thermal.simulate import nominal, simulate
from thermal.spread import CLASS_SPREAD, draw, spread_of
from thermal.vehicle import Vehicle

CARS = ("estate-1990s-six", "pickup-1990s-v8-tow", "hatch-1990s-four", "saloon-1970s-six")


@pytest.fixture(scope="module", params=CARS)
def car(request: pytest.FixtureRequest) -> Vehicle:
    """In the one gear it takes on the climb: a change of gear is no slope."""
    vehicle = read_class(request.param).vehicle
    gear = int(compute_loads(vehicle, climb())[1].gear[0])
    return with_part(vehicle, "gearbox", ratios=(vehicle.gearbox.ratios[gear],))


def climb(mph: float = 45.0, grade: float = 0.04, **more: float) -> Drive:
    return steady_drive(minutes=40, speed_m_per_s=mph * MPH, grade=grade, air_k=30.0 + C0, elevation_m=300.0, **more)


def peaks_k(drive: Drive, vehicle: Vehicle, **factors: float) -> np.ndarray:
    drawn = nominal()._replace(**{name: np.array([value]) for name, value in factors.items()})
    return simulate(drive, vehicle, factors=drawn).temps_k[0, -1, 1:5]


def test_more_mass(car: Vehicle) -> None:
    """6 % more, one standard deviation: within a kelvin of a car that weighs so much."""
    heavier = with_part(car, "body", mass_kg=1.06 * car.body.mass_kg)
    ours, anew = peaks_k(climb(), car, mass=1.06), simulate(climb(), heavier).temps_k[0, -1, 1:5]
    assert ours == pytest.approx(anew, abs=1.0)
    assert np.all(ours >= peaks_k(climb(), car) - 1e-6)


def test_more_drag(car: Vehicle) -> None:
    wider = with_part(car, "body", drag_area_m2=1.11 * car.body.drag_area_m2)
    ours, anew = peaks_k(climb(), car, drag=1.11), simulate(climb(), wider).temps_k[0, -1, 1:5]
    assert ours == pytest.approx(anew, abs=1.0)


@pytest.mark.parametrize("wind_m_per_s", [-5.0, 5.0])
def test_wind(car: Vehicle, wind_m_per_s: float) -> None:
    drive = climb()
    blown = replace(drive, headwind_m_per_s=np.full(len(drive.duration_s), wind_m_per_s))
    ours, anew = peaks_k(drive, car, wind=float(np.exp(0.1 * wind_m_per_s))), simulate(blown, car).temps_k[0, -1, 1:5]
    assert ours == pytest.approx(anew, abs=3.0)


def test_a_following_wind_on_a_grade_heats_the_coolant() -> None:
    """Common practice: 8 m/s from behind on a long grade is worth 5-7 K once the thermostat is wide open; 3-10 here."""
    old = rated_trailer(read_class("estate-1990s-six").vehicle)
    drive = climb(mph=45.0, grade=0.05)
    still, behind = (peaks_k(drive, old, wind=float(np.exp(0.1 * wind))) for wind in (0.0, -8.0))
    assert 3.0 <= behind[0] - still[0] <= 10.0


def test_no_wind_is_felt_where_the_car_stands(car: Vehicle) -> None:
    idle = steady_drive(minutes=20, speed_m_per_s=0.0, grade=0.0, air_k=30.0 + C0)
    assert peaks_k(idle, car, wind=1.5) == pytest.approx(peaks_k(idle, car))


def test_a_core_nobody_knows_spreads_wider() -> None:
    """New or original with 90 %: 0.6 to 1 is ln(1/0.6) = 0.511, 0.155 as one of 3.29 deviations."""
    known = read_class("saloon-1970s-six").vehicle
    unknown = with_part(known, "cooling", condition="unknown", original_core=0.6)
    assert spread_of(known) == CLASS_SPREAD
    assert spread_of(unknown)["radiator"] == pytest.approx(np.hypot(CLASS_SPREAD["radiator"], 0.155), abs=1e-3)
    wide, narrow = (
        np.std(np.log(draw(256, ambient_sd_k=np.zeros(1), vehicle=one)[0].radiator)) for one in (unknown, known)
    )
    assert wide > 1.5 * narrow
