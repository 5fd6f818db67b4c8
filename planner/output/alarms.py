"""Alarm cards as rows of a table and as plain data."""

from collections.abc import Sequence
from typing import Any

from planner.analysis.alarms import BAR, Card, Reference
from planner.forecast.run import Forecast, leg_name
from planner.model.display import Units, units_of
from thermal.fluids import fluid_of

_PSI = 6894.757


def alarm_rows(outlook: Forecast, card: Card) -> list[tuple[str, ...]]:
    """Lay out one card as a table: what, alarm below, expected, caution, limit."""
    u = units_of(outlook.trip.units)
    fluids: list[tuple[str, ...]] = [
        (
            fluid_of(f.fluid).label,
            f"{u.temp(f.low_k):.0f}",
            f"{u.temp(f.band_k[0]):.0f}–{u.temp(f.band_k[1]):.0f}",
            f"{u.temp(f.caution_k):.0f}",
            f"{u.temp(f.limit_k):.0f} {u.temperature}",
        )
        for f in card.fluids
    ]
    return [*fluids, *pressure_rows(outlook, card)]


def pressure_rows(outlook: Forecast, card: Card) -> list[tuple[str, ...]]:
    """Lay out a card's oil pressures, and the drop over the cooler where there is one."""
    u = units_of(outlook.trip.units)
    rows: list[tuple[str, ...]] = []
    for name, band, least in (
        ("oil pressure, hot idle", card.idle_pa, card.idle_least_pa),
        ("oil pressure, cruise", card.cruise_pa, card.cruise_least_pa),
    ):
        rows.append((name, f"below {_pressure(least, u)}", f"{_pressure(band[0], u)}–{_pressure(band[1], u)}", "", ""))
    if card.drop_pa is not None:
        low, high = (_pressure(v, u) for v in card.drop_pa)
        half = _pressure(0.5 * card.drop_pa[0], u)
        blocked = f"{_pressure(1.5 * card.drop_pa[1], u)}: blocked"
        rows.append(
            ("oil cooler pressure drop", f"below {half}: burst line, open bypass", f"{low}–{high}", "", blocked)
        )
    return rows


def _pressure(pa: float, units: Units) -> str:
    """A pressure in psi or bar."""
    return f"{pa / _PSI:.0f} psi" if units.distance == "mi" else f"{pa / BAR:.1f} bar"


def alarm_title(outlook: Forecast, card: Card) -> str:
    """Name the leg a card is for."""
    return "Whole trip" if card.leg is None else leg_name(outlook, card.leg)


def alarms_dict(outlook: Forecast, cards: Sequence[Card], reference: Reference) -> dict[str, Any]:
    """Give all cards as plain data."""
    return {
        "schema": "grademargin-alarms/1",
        "trip": outlook.trip.name,
        "rests_on": reference.words,
        "cards": [
            {
                "leg": card.leg,
                "title": alarm_title(outlook, card),
                "fluids": [
                    {
                        "fluid": fluid_of(f.fluid).label,
                        "not_warm_below_k": f.low_k,
                        "expected_k": list(f.band_k),
                        "caution_k": f.caution_k,
                        "limit_k": f.limit_k,
                    }
                    for f in card.fluids
                ],
                "oil_idle_pa": list(card.idle_pa),
                "oil_idle_least_pa": card.idle_least_pa,
                "oil_cruise_pa": list(card.cruise_pa),
                "oil_cruise_least_pa": card.cruise_least_pa,
                "cooler_drop_pa": None if card.drop_pa is None else list(card.drop_pa),
            }
            for card in cards
        ],
    }
