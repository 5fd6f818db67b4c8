"""Fixtures of the planner's tests, quickest first.

`make_trip` builds a trip from a few words of road; `minimal`, `alps` and `big` are reports of shipped examples, made
once, without remedies. `copy_example` and `run` are those of all tests.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import datetime, time
from pathlib import Path
from typing import Any

import pytest

from planner.files.folder import open_folder
from planner.files.vehicles import read_vehicle
from planner.forecast.run import forecast
from planner.model.trip import DayRules, Leg, Place, Trip
from planner.output.report import Report, make_report
from thermal.vehicle import Vehicle

DATA = Path(__file__).parents[2] / "data"
HIGH_K, LOW_K = 303.15, 288.15


def place(key: str, **more: Any) -> Place:
    """Somewhere at sea level in the middle of Kansas."""
    plain: dict[str, Any] = {
        "key": key,
        "name": key.capitalize(),
        "lat_deg": 38.5,
        "lon_deg": -98.0,
        "elevation_m": 0.0,
        "kind": "town",
        "services": frozenset(),
        "high_k": HIGH_K,
        "low_k": LOW_K,
        "note": "",
    }
    return Place(**plain | more)


def leg(start: str, finish: str, minutes: float, **more: Any) -> Leg:
    """A road driven at 25 m/s, 90 km/h, unless said otherwise."""
    speed = float(more.pop("speed_m_per_s", 25.0))
    plain: dict[str, Any] = {
        "start": start,
        "finish": finish,
        "distance_m": minutes * 60.0 * speed,
        "speed_m_per_s": speed,
        "road": "",
        "two_way": True,
        "open": True,
        "profile": None,
        "note": "",
    }
    return Leg(**plain | more)


@pytest.fixture(scope="session")
def road() -> Callable[..., Leg]:
    """`road("a", "b", minutes)`: one leg, 25 m/s on the level."""
    return leg


@pytest.fixture(scope="session")
def make_trip() -> Callable[..., Trip]:
    """`make_trip(legs, route=...)`: places are made up from the legs' ends, changed by `places={"a": {...}}`."""

    def make(legs: Iterable[Leg], *, places: Mapping[str, Mapping[str, Any]] | None = None, **more: Any) -> Trip:
        held = tuple(legs)
        keys = dict.fromkeys(key for one in held for key in (one.start, one.finish))
        day = {"driving_s": 8 * 3600.0, "start": time(8), "lodging_only": False} | more.pop("day", {})
        plain: dict[str, Any] = {
            "name": "Made up",
            "folder": Path("nowhere"),
            "units": "metric",
            "route": (held[0].start, held[-1].finish),
            "explicit": False,
            "departure": datetime(2027, 7, 6, 8),
            "day": DayRules(**day),
            "nights": (),
            "halts": (),
            "confidence": 0.9,
            "thin_band_k": 8.0,
            "air_conditioning": True,
            "places": {key: place(key, **(places or {}).get(key, {})) for key in keys},
            "legs": held,
        }
        return Trip(**plain | more)

    return make


@pytest.fixture(scope="session")
def car(tmp_path_factory: pytest.TempPathFactory) -> Vehicle:
    path = tmp_path_factory.mktemp("car") / "vehicle.toml"
    path.write_text('base = "estate-1990s-six"\n', encoding="utf-8")
    return read_vehicle(path, DATA / "vehicles").vehicle


@pytest.fixture
def trip_folder(copy_example: Callable[[str, Path], Path], tmp_path: Path) -> Path:
    return copy_example("minimal", tmp_path / "trip")


@pytest.fixture(scope="session")
def report_of() -> Callable[..., Report]:
    """`report_of(folder, units="us")`: read, forecast, find margins; settings of the trip can be replaced."""

    def make(folder: Path, **changes: Any) -> Report:
        trip, vehicle_file = open_folder(folder)
        return make_report(forecast(replace(trip, **changes), vehicle_file), remedies=False)

    return make


@pytest.fixture(scope="session")
def minimal(copy_example, report_of, tmp_path_factory: pytest.TempPathFactory) -> Report:
    return report_of(copy_example("minimal", tmp_path_factory.mktemp("minimal") / "trip"))


@pytest.fixture(scope="session")
def alps(copy_example, report_of, tmp_path_factory: pytest.TempPathFactory) -> Report:
    return report_of(copy_example("alps", tmp_path_factory.mktemp("alps") / "trip"))


@pytest.fixture(scope="session")
def big(copy_example, report_of, tmp_path_factory: pytest.TempPathFactory) -> Report:
    return report_of(copy_example("wilmington-astoria", tmp_path_factory.mktemp("big") / "trip"))
