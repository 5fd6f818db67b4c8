"""Sorts of oil against the charts of the trade: common practice, no source."""

import numpy as np
import pytest
from cars import CLASS_NAMES, read_class

from thermal.errors import ParameterError
from thermal.sorts import ENGINE_OILS, GEAR_OILS, GEARBOX_FLUIDS, life_used, sorts_of, with_sort

HOUR = np.array([3600.0])


@pytest.mark.parametrize(
    ("fahrenheit", "miles"), [(175, 100_000), (195, 50_000), (215, 25_000), (235, 12_000), (255, 6_250), (275, 3_000)]
)
def test_automatic_fluid_follows_the_chart_on_every_workshop_wall(fahrenheit: float, miles: float) -> None:
    """Life in miles by sump temperature, at 50 mph; the chart rounds, so within a tenth."""
    used = life_used(GEARBOX_FLUIDS["conventional"], np.array([(fahrenheit - 32.0) / 1.8 + 273.15]), HOUR)
    assert 50.0 / used == pytest.approx(miles, rel=0.1)


def test_a_synthetic_withstands_more_than_a_mineral() -> None:
    for oils, plain, better in (
        (ENGINE_OILS, "mineral", "synthetic"),
        (GEAR_OILS, "mineral", "synthetic"),
        (GEARBOX_FLUIDS, "conventional", "long-life"),
    ):
        assert oils[better].limit_k > oils[plain].limit_k
        hot = np.array([oils[plain].limit_k])
        assert life_used(oils[better], hot, HOUR) < life_used(oils[plain], hot, HOUR)


def test_ten_minutes_at_the_limit_cost_life_and_not_the_trip() -> None:
    """Ten minutes at 280 degF in gear oil: a few per cent of its life, nothing like a failure."""
    used = life_used(GEAR_OILS["mineral"], np.array([(280.0 - 32.0) / 1.8 + 273.15]), np.array([600.0]))
    assert 0.001 < used < 0.05


def test_naming_the_fluid_moves_viscosity_and_limit_together() -> None:
    plain = read_class("pickup-1990s-v8-tow").vehicle
    named = read_class(
        "pickup-1990s-v8-tow",
        '[transmission_oil]\nsort = {value = "long-life", source = "bottle"}\n'
        '[transmission_limit]\nlimit = {value = "133 degC", source = "handbook"}\n',
    ).vehicle
    assert named.transmission_oil.viscosity_100c_m2_per_s < plain.transmission_oil.viscosity_100c_m2_per_s
    assert named.transmission_limit.caution_k > plain.transmission_limit.caution_k
    assert named.transmission_limit.limit_k == pytest.approx(406.15)  # the owner's own figure stays
    changed = with_sort(plain, "engine_oil", "synthetic")
    assert changed.engine_oil_limit.limit_k > plain.engine_oil_limit.limit_k
    assert changed.engine_oil.sort == "synthetic"


def test_a_sort_that_does_not_go_there_is_refused() -> None:
    with pytest.raises(ParameterError, match="this part takes: mineral, synthetic"):
        read_class("estate-1990s-six", '[transmission_oil]\nsort = {value = "long-life", source = "bottle"}\n')
    with pytest.raises(ParameterError, match="this part takes"):
        with_sort(read_class("estate-1990s-six").vehicle, "engine_oil", "conventional")


@pytest.mark.parametrize("name", CLASS_NAMES)
def test_every_class_names_what_is_in_it(name: str) -> None:
    """A class's limits lie no higher than its sort withstands."""
    car = read_class(name).vehicle
    automatic = car.gearbox.kind == "automatic"
    for part, limit in (
        ("engine_oil", car.engine_oil_limit),
        ("transmission_oil", car.transmission_limit),
        ("differential_oil", car.differential_limit),
    ):
        sort = sorts_of(part, automatic=automatic)[getattr(car, part).sort]
        assert limit.limit_k <= sort.limit_k + 0.1, part
