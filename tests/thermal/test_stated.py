"""Ranges read off the sources of values, and what they make of the factors of the draws."""

import numpy as np
import pytest
from cars import CLASS_NAMES, read_class

from thermal.drive import steady_drive
from thermal.fluids import FACTORS
from thermal.stated import MULTIPLIES, moved, outside_range, stated_range, stated_slopes, within_bands
from thermal.vehicle_file import Entry

GRADE = steady_drive(minutes=1.0, speed_m_per_s=20.0, grade=0.05, air_k=308.0)


@pytest.mark.parametrize(
    ("text", "source", "unit", "expect"),
    [
        ("0.18", "ASSUMED: 0.10-0.30, common practice", "dimensionless", (0.10, 0.30)),
        ("1930 W/K", "ASSUMED: full power at 110 km/h and 40 degC; +-25 %", "W/K", (1447.5, 2412.5)),
        ("2800 W", "ASSUMED: pump and clutches 0.9-3 kW at 3000 rpm", "W", (900.0, 3000.0)),
        ("140 W/K", "ASSUMED: a wet sump, 98-190 W/K; chosen so that oil cruises 10-20 K above", "W/K", (98.0, 190.0)),
        (
            "0.295",
            "ASSUMED: 24-32 % of fuel; 17-26 % at full power; chosen inside 0.25-0.40",
            "dimensionless",
            (0.25, 0.4),
        ),
        ("74 kJ/K", "ASSUMED: coolant warms in 5-10 min; +-30 %", "J/K", (51_800.0, 96_200.0)),
    ],
)
def test_a_range_is_read_as_an_owner_reads_it(text: str, source: str, unit: str, expect: tuple[float, float]) -> None:
    assert stated_range(Entry(key="a.b", text=text, source=source, doc=""), unit) == pytest.approx(expect)


@pytest.mark.parametrize("source", ["class definition", "ASSUMED: a 195/65 R15 tyre rolls at about 0.307 m"])
def test_no_range_is_none(source: str) -> None:
    assert stated_range(Entry(key="a.b", text="0.307 m", source=source, doc=""), "m") is None


def test_ram_alone_is_the_worked_example_of_the_ranges() -> None:
    """By hand: ln(0.30 / 0.10) / 3.29 = 0.334; the face of +-15 % adds ln(1.15 / 0.85) / 3.29 = 0.092."""
    held = read_class("saloon-1980s-v8-automatic")
    slopes = stated_slopes(held, moved(held), GRADE)
    assert np.hypot(0.334, 0.092) == pytest.approx(float(np.linalg.norm(slopes["airflow"])), abs=0.002)


def test_a_band_narrows_what_moves_it_and_nothing_else() -> None:
    """A normal prior and one reading of the same width, by hand: 1 / sqrt(1 + 1)."""
    slopes = {"one": np.array([0.3, 0.0]), "other": np.array([0.0, 0.2])}
    left = within_bands(slopes, np.array([[1.0, 0.0]]))
    assert left["one"] == pytest.approx(0.3 / np.sqrt(2.0))
    assert left["other"] == pytest.approx(0.2)


def test_spreads_used_are_neither_beyond_their_ranges_nor_far_within() -> None:
    """The bands of the trade leave a third to all of a range; docs/spreads.md has the table."""
    held = read_class("estate-1990s-six")
    slopes = stated_slopes(held, moved(held), GRADE)
    for name in MULTIPLIES:
        assert 1.0 / 3.0 < FACTORS[name].spread / float(np.linalg.norm(slopes[name])) < 1.6, name


def test_no_more_values_lie_outside_the_range_beside_them() -> None:
    """Seventeen did, each listed in docs/spreads.md: none may join them."""
    assert sum(len(outside_range(read_class(base))) for base in CLASS_NAMES) <= 17
