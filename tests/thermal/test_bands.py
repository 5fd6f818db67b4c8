"""Every class against data/bands.toml, the bands of the trade: common practice, no source.

The classes' assumed numbers were chosen to lie in them, so the table shows that a class behaves as an owner expects; it
is no evidence for the model.
"""

from dataclasses import replace

import pytest
from cars import CLASS_NAMES, CLASSES, read_class, with_part

from thermal.bands import PLACES, STATES, Band, Cell, compare, rated_trailer, read_bands
from thermal.errors import ParameterError
from thermal.vehicle import Vehicle

BANDS = read_bands(CLASSES.parent / "bands.toml")


@pytest.fixture(scope="module")
def cells() -> dict[str, tuple[Cell, ...]]:
    return {name: compare(read_class(name).vehicle, BANDS, base=name) for name in CLASS_NAMES}


def test_bands_are_complete_and_unique() -> None:
    assert {band.state for band in BANDS} == set(STATES)
    assert {band.fluid for band in BANDS} == set(PLACES)
    assert {band.kind for band in BANDS} == {
        "value", "over thermostat", "over coolant", "rise", "rise time", "minutes"
    }  # fmt: skip
    assert all(band.low < band.high and band.sure in "HM" for band in BANDS)
    assert len({(b.state, b.fluid, b.kind, b.box, b.only) for b in BANDS}) == len(BANDS)


def test_at_most_one_cell_in_twenty_lies_outside(cells: dict[str, tuple[Cell, ...]]) -> None:
    held = [cell for of_class in cells.values() for cell in of_class]
    outside = [
        f"{name}: {c.band.state}, {c.band.fluid} {c.band.kind} {c.found:.1f} not {c.band.low:g}-{c.band.high:g}"
        for name, of_class in cells.items()
        for c in of_class
        if not c.inside
    ]
    assert len(held) > 350
    assert len(outside) <= len(held) / 20, "\n".join(outside)


def test_no_cell_lies_far_outside(cells: dict[str, tuple[Cell, ...]]) -> None:
    """Not by more than half the band's width: a miss is a few kelvin, not another car."""
    far = [
        (name, c.band, c.found)
        for name, of_class in cells.items()
        for c in of_class
        if not c.inside
        and min(abs(c.found - c.band.low), abs(c.found - c.band.high)) > 0.6 * (c.band.high - c.band.low)
    ]
    assert not far


def test_a_fault_is_seen() -> None:
    """Shares of heat into the oil at the top of their range must not pass."""
    name = "hatch-1990s-four"
    hatch = read_class(name).vehicle
    hot = with_part(hatch, "engine", oil_share=0.05, friction_oil_share=0.4)
    bands = [Band(state="climb alone", fluid="engine_oil", kind="value", low=100, high=120)]
    assert compare(hatch, bands, base=name)[0].inside
    assert not compare(hot, bands, base=name)[0].inside


def test_the_rated_trailer_is_the_rating(estate: Vehicle) -> None:
    towing = rated_trailer(estate)
    assert towing.trailer.mass_kg == estate.body.tow_rating_kg > 0.0
    assert towing.trailer.drag_area_m2 > 0.5
    with pytest.raises(ParameterError, match="has no tow rating"):
        rated_trailer(replace(estate, body=replace(estate.body, tow_rating_kg=0.0)))
