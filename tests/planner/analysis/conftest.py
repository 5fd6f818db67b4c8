"""The drive on which changes are tried: hot, loaded, and long enough that every fluid has something to gain."""

from datetime import datetime

import pytest
from cars import with_part
from rules import outlook_of

from planner.forecast.run import Forecast


@pytest.fixture(scope="session")
def grade(make_trip, road, car) -> Forecast:
    """6 % for 20 minutes at 90 km/h, 43 degC at the base, a trailer behind and lamps before the radiator.

    In the hottest hours, so that a stop makes the grade neither hotter nor cooler. With less to do, the thermostat
    holds the coolant whatever one does, and nothing could be found.
    """
    rise = 0.06 * 30_000.0
    places = {
        "a": {"lon_deg": -98.0},
        "foot": {"lon_deg": -97.2, "services": frozenset({"parking"})},
        "top": {"lon_deg": -97.0, "elevation_m": rise},
        "z": {"lon_deg": -96.8, "elevation_m": rise},
    }
    places = {key: {"high_k": 316.15, "low_k": 295.15} | place for key, place in places.items()}
    legs = [road("a", "foot", 60.0), road("foot", "top", 20.0), road("top", "z", 10.0)]
    towing = with_part(with_part(car, "trailer", mass_kg=590.0, drag_area_m2=0.55), "cooling", airflow_share=0.7)
    return outlook_of(make_trip(legs, places=places, day={"break_s": 0.0}, departure=datetime(2027, 7, 6, 14)), towing)
