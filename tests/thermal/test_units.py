"""Units at the edge: what is read, what is refused, and how the refusal reads."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermal.errors import UnitError
from thermal.units import _USUAL, convert, same_kind, to_delta_k, to_si


# Exact by definition of the units (NIST SP 811, appendix B), except where a tolerance is shown.
@pytest.mark.parametrize(
    ("text", "unit", "expect"),
    [
        ("212 degF", "K", 373.15),
        ("-40 degF", "degC", -40.0),
        ("95 °C", "K", 368.15),
        ("100 °F", "degC", 37.777777777777779),
        ("65 mph", "m/s", 29.0576),
        ("1 mi", "m", 1609.344),
        ("1 ft", "m", 0.3048),
        ("15 psi", "Pa", 103421.359397),
        ("1 bar", "Pa", 1e5),
        ("1000 lb", "kg", 453.59237),
        ("6000 rpm", "rad/s", 628.318530718),
        ("2.8 L", "m**3", 0.0028),
        ("14.6 cSt", "m**2/s", 14.6e-6),
        ("50 %", "dimensionless", 0.5),
        ("21 kJ/K", "J/K", 21_000.0),
        ("1.5e3 W", "W", 1500.0),
        (".5 km", "m", 500.0),
        ("  7   kg ", "kg", 7.0),
        ("+3 m", "m", 3.0),
        ("200 hp", "W", 149_139.974),
        ("1 inHg", "Pa", 3386.389),
    ],
)
def test_readings(text: str, unit: str, expect: float) -> None:
    assert to_si(text, unit) == pytest.approx(expect, rel=1e-6)


@pytest.mark.parametrize(
    ("text", "unit", "said"),
    [
        ("20", "K", "'20' needs a number and a unit, e.g. '195 degF'"),
        ("", "m", "needs a number and a unit"),
        ("degC", "K", "needs a number and a unit"),
        ("1,5 m", "m", "needs a number and a unit"),
        ("5 kg", "m", "5 kg cannot be read in 'm'"),
        ("5 furlog", "m", "cannot be read in 'm'"),
        ("20 C", "K", "cannot be read in 'K'"),
        ("195 F", "K", "; write e.g. '195 degF'"),
        ("20", "J/K", "e.g. '90 J/K'"),
        ("nan K", "K", "needs a number and a unit"),
        ("5 kg; import os", "kg", "'5 kg; import os'"),
        ("1 m**99999999", "m", "'1 m**99999999'"),
    ],
)
def test_refusals(text: str, unit: str, said: str) -> None:
    with pytest.raises(UnitError) as caught:
        to_si(text, unit)
    assert said in str(caught.value)


@pytest.mark.parametrize("unit", _USUAL)
def test_what_is_proposed_can_be_read(unit: str) -> None:
    assert (to_delta_k(_USUAL[unit]) if unit == "delta K" else to_si(_USUAL[unit], unit)) > 0.0


@pytest.mark.parametrize(("text", "expect"), [("5 degC", 5.0), ("9 degF", 5.0), ("5 K", 5.0), ("-1.8 °F", -1.0)])
def test_a_difference_is_not_a_temperature(text: str, expect: float) -> None:
    assert to_delta_k(text) == pytest.approx(expect)


def test_a_difference_of_something_else_is_refused() -> None:
    with pytest.raises(UnitError, match="not a temperature difference; write K, degC or degF"):
        to_delta_k("5 m")
    with pytest.raises(UnitError, match=r"needs a number and a unit, e\.g\. '5 K'"):
        to_delta_k("5")


@pytest.mark.parametrize(
    ("unit", "other", "same"),
    [("mi", "m", True), ("degF", "K", True), ("kg", "m", False), ("nonsense", "m", False), ("m", "nonsense", False)],
)
def test_same_kind(unit: str, other: str, same: bool) -> None:
    assert same_kind(unit, other) is same


@given(
    value=st.floats(-1e6, 1e6),
    pair=st.sampled_from([("degF", "K"), ("mph", "m/s"), ("psi", "Pa"), ("ft", "m"), ("rpm", "rad/s"), ("lb", "kg")]),
)
def test_there_and_back(value: float, pair: tuple[str, str]) -> None:
    there = convert(value, *pair)
    assert convert(there, pair[1], pair[0]) == pytest.approx(value, rel=1e-9, abs=1e-6)
