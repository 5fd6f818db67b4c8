"""Units at the edge: what is read, what is refused, and how the refusal reads."""

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermal.errors import UnitError
from thermal.unit_table import COMMON, between_common, common_kind
from thermal.units import _USUAL, convert, like, same_kind, to_delta_k, to_si


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
        # as people and workshop manuals write them
        ("195 F", "K", 363.7055556),
        ("95 C", "K", 368.15),
        ("195 deg. F", "K", 363.7055556),
        ("195 ℉", "K", 363.7055556),
        ("350 cu in", "m**3", 350 * 0.0254**3),
        ("350 CID", "m**3", 350 * 0.0254**3),
        ("350 cu. in.", "m**3", 350 * 0.0254**3),
        ("350 in³", "m**3", 350 * 0.0254**3),
        ("1998 cc", "m**3", 1998e-6),
        ("5.7L", "m**3", 5.7e-3),
        ("270 ft-lb", "N*m", 270 * 0.3048 * 4.4482216152605),
        ("270 lb-ft", "N*m", 270 * 0.3048 * 4.4482216152605),
        ("270 ft. lbs.", "N*m", 270 * 0.3048 * 4.4482216152605),
        ("270 FT·LB", "N*m", 270 * 0.3048 * 4.4482216152605),
        ("150 Nm", "N*m", 150.0),
        ("15 PSI", "Pa", 103421.359397),
        ("15 psig", "Pa", 103421.359397),
        ("6000 RPM", "rad/s", 628.318530718),
        ("6000 r/min", "rad/s", 628.318530718),
        ("1000 LB", "kg", 453.59237),
        ("3,000 lb", "kg", 1360.77711),
        ("3,000 lbs.", "kg", 1360.77711),
        ("7 ft2", "m**2", 7 * 0.3048**2),
        ("7 sq ft", "m**2", 7 * 0.3048**2),
        ("0.62 m²", "m**2", 0.62),
        ("65 MPH", "m/s", 29.0576),
        ("100 KM/H", "m/s", 27.7777778),
        ('12.5"', "m", 0.3175),
        ("200 PS", "W", 147099.75),
        ("3.42:1", "dimensionless", 3.42),
        ("3.42 : 1", "dimensionless", 3.42),
        ("0.35", "dimensionless", 0.35),
        ("8 hrs", "s", 28800.0),
        ("90 W/°C", "W/K", 90.0),
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
        ("1,5 m", "m", "'1,5 m' has a decimal comma; write a point, e.g. '0.3 m'"),
        ("0,500 m", "m", "has a decimal comma"),
        ("5 kg", "m", "'5 kg' is not a valid length or distance; write e.g. '0.3 m'"),
        ("0.55 m**0", "m**2", "'0.55 m**0' needs a number and a unit"),
        ("5 s**0", "s", "'5 s**0' needs a number and a unit"),
        ("5 furlog", "m", "'5 furlog' is not a valid length or distance"),
        ("95 degrees", "K", "'95 degrees' is not a valid temperature; write e.g. '195 degF'"),
        ("3.42 to one", "dimensionless", "must be a number without a unit, e.g. '0.35', or a share, e.g. '35 %'"),
        ("3,42", "dimensionless", "'3,42' has a decimal comma; write a point"),
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


@pytest.mark.parametrize("text", ["5 F", "5 C", "5 q", "5 m/s**2", "1e400 m", "5 abc def", "5 dB", "5 degF/s"])
@pytest.mark.parametrize("unit", ["K", "delta K", "m", "Pa", "dimensionless", "W/K", "kg"])
def test_no_refusal_quotes_a_library(text: str, unit: str) -> None:
    """An owner reads of his own cell and of what is needed, never of what some parser calls it."""
    try:
        to_delta_k(text) if unit == "delta K" else to_si(text, unit)
    except UnitError as exc:
        said = str(exc)
        words = ("farad", "coulomb", "Parser", "dimensionless", "registry", "[length]", "pint", "Quantity", "Error")
        assert not any(word in said for word in words), said


@pytest.mark.parametrize(
    ("si", "unit", "written", "said"),
    [
        (0.01, "m**3", "350 cu in", "610.2 cu in"),
        (373.15, "K", "500 F", "212 F"),
        (5.0, "delta K", "90 °F", "9 °F"),
        (7.0, "dimensionless", "9:1", "7"),
    ],
)
def test_limits_are_told_in_the_unit_of_the_owner(si: float, unit: str, written: str, said: str) -> None:
    assert like(si, unit, written) == said


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


# pint is the reference here: a library that others keep, with its own table of units.
def test_the_table_of_common_units_agrees_with_pint() -> None:
    registry = pint.UnitRegistry(cache_folder=None)
    kinds = {name: registry.Unit(name).dimensionality for name in COMMON}
    for name in COMMON:
        for other in COMMON:
            assert common_kind(name, other) == (kinds[name] == kinds[other]), (name, other)
            if common_kind(name, other):
                for value in (-40.0, 0.1, 123.456):
                    expect = registry.Quantity(value, name).to(other).magnitude
                    assert between_common(value, name, other) == pytest.approx(expect, rel=3e-15, abs=2e-13), (
                        name,
                        other,
                    )
