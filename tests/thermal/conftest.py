"""Shared fixtures: `estate` is the reference class; `any_vehicle` runs a test once for every class in data/vehicles."""

from pathlib import Path

import pytest

from thermal.vehicle import Vehicle
from thermal.vehicle_file import VehicleFile, read_vehicle

CLASSES = Path(__file__).parents[2] / "data" / "vehicles"


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line(
        "markers", "checks(*functions): public functions this test checks against an outside source"
    )


@pytest.fixture(scope="session")
def classes() -> Path:
    return CLASSES


@pytest.fixture(scope="session")
def read_class(tmp_path_factory: pytest.TempPathFactory):
    """Read a class as it stands, or with a TOML text of own values."""

    def read(base: str, own: str = "") -> VehicleFile:
        path = tmp_path_factory.mktemp("car") / "vehicle.toml"
        path.write_text(f'base = "{base}"\n{own}', encoding="utf-8")
        return read_vehicle(path, CLASSES)

    return read


@pytest.fixture(scope="session")
def estate(read_class) -> Vehicle:
    return read_class("estate-1990s-six").vehicle


@pytest.fixture(scope="session", params=sorted(path.stem for path in CLASSES.glob("*.toml")))
def any_vehicle(request: pytest.FixtureRequest, read_class) -> Vehicle:
    return read_class(request.param).vehicle
