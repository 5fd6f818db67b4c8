"""Shared fixtures: `estate` is the reference class; `any_vehicle` runs a test once for every class in data/vehicles."""

import warnings

import pytest
from cars import CLASS_NAMES, ESTATE, read_class

from thermal.vehicle import Vehicle


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line(
        "markers", "checks(*functions): public functions this test checks against an outside source"
    )


@pytest.fixture(scope="session")
def estate() -> Vehicle:
    return read_class(ESTATE).vehicle


@pytest.fixture(scope="session", params=CLASS_NAMES)
def class_name(request: pytest.FixtureRequest) -> str:
    return request.param


@pytest.fixture(scope="session")
def any_vehicle(class_name: str) -> Vehicle:
    return read_class(class_name).vehicle


@pytest.fixture(scope="session")
def lib():
    """Import a reference library, its own import warnings aside; skips the test where it is not installed."""

    def load(name: str):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return pytest.importorskip(name, exc_type=ImportError)

    return load


@pytest.fixture(scope="session")
def props_si(lib):
    return lib("CoolProp.CoolProp").PropsSI
