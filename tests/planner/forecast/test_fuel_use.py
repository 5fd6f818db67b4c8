"""The owner's fuel use as evidence of mass and drag: read, set beside the model's, weighed, never over-believed."""

import numpy as np
import pytest

import planner
from planner.forecast.assemble import read_inputs, taught
from thermal.errors import UnitError
from thermal.fluids import FACTORS
from thermal.units import to_fuel_use


@pytest.fixture
def folder(copy_example, tmp_path):
    return copy_example("alps", tmp_path / "trip")


def with_use(folder, text):
    trip = folder / "trip.toml"
    trip.write_text(f'fuel_use = "{text}"\n' + trip.read_text(encoding="utf-8"), encoding="utf-8")
    return read_inputs(folder)


def test_units_of_fuel_use_agree_with_their_definitions():
    # NIST Special Publication 811 (2008), appendix B.8: mi/gal (US) to L/100 km is 235.215 divided by the number;
    # the imperial gallon is 4.54609 L, the US gallon 3.785411784 L.
    assert to_fuel_use("20 mpg") * 1e8 == pytest.approx(235.215 / 20.0, rel=1e-5)
    assert to_fuel_use("20 mpg UK") / to_fuel_use("20 mpg") == pytest.approx(4.54609 / 3.785411784, rel=1e-6)
    assert to_fuel_use("12.5 km/L") == pytest.approx(to_fuel_use("8 L/100km"))


@pytest.mark.parametrize("text", ["18", "18 miles", "0 mpg", "1000 mpg", "-8 L/100 km", "", "mpg"])
def test_what_is_no_fuel_use_is_refused_in_words(text):
    with pytest.raises(UnitError, match=r"fuel use|allowed"):
        to_fuel_use(text)


def test_a_thirstier_car_is_heavier_and_blunter_and_has_less_margin(folder):
    bare = planner.plan(folder, remedies=False)
    plain = folder.joinpath("trip.toml").read_text(encoding="utf-8")
    smallest, mass = [], []
    for text in ("5 L/100 km", "7 L/100 km"):
        folder.joinpath("trip.toml").write_text(plain, encoding="utf-8")
        inputs = taught(with_use(folder, text))
        said = inputs.lesson.sentences[-1]
        assert said.startswith(f"Your fuel use {text.replace(' L', '.0 L')}; the model's ")
        mass.append(inputs.car.spread.factors["mass"].value)
        made = planner.plan(folder, remedies=False)
        assert made.report.learnt[-1] == said
        assert not made.report.knows_car  # chances stay words: no gauge was read
        smallest.append(made.margins.margin_k.min())
    assert mass[0] < mass[1]
    assert smallest[0] > smallest[1]
    assert made.report.outlook.car.spread.factors["drag"].sd < 0.12
    assert bare.report.learnt == ()


def test_fuel_use_that_agrees_narrows_and_moves_nothing(folder):
    model = taught(with_use(folder, "6 L/100 km")).lesson.sentences[-1].split("the model's ")[1].split(" on")[0]
    trip = folder / "trip.toml"
    trip.write_text(trip.read_text(encoding="utf-8").replace("6 L/100 km", model, 1), encoding="utf-8")
    car = taught(read_inputs(folder)).car
    assert [car.spread.factors[name].value for name in ("mass", "drag")] == pytest.approx([1.0, 1.0], abs=0.01)
    usual = {"mass": 0.06, "drag": 0.11}
    assert all(0.5 * sd < car.spread.factors[name].sd < sd for name, sd in usual.items())
    assert not np.isnan(car.spread.covariance(dict.fromkeys(FACTORS, 0.1))).any()


def test_fuel_use_of_another_car_is_told_and_not_used(folder):
    inputs = taught(with_use(folder, "13 L/100 km"))
    assert "too far apart for one car, so it is not used" in inputs.lesson.sentences[-1]
    assert inputs.car.spread.factors == {}
