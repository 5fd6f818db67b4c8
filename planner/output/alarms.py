"""Alarm cards as rows of a table and as plain data."""

import math
from collections.abc import Sequence
from typing import Any

from planner.analysis.alarm_words import fluid_data, fluid_rows
from planner.analysis.alarms import BAR, RELIEF_PA, Card, Reference, pressure_table
from planner.forecast.run import Forecast, leg_name
from planner.model.display import Units, units_of

_PSI = 6894.757


def alarm_rows(outlook: Forecast, card: Card) -> list[tuple[str, ...]]:
    """Rows of one card: its fluids', then its pressures'."""
    return [*fluid_rows(card.fluids, units_of(outlook.trip.units)), *pressure_rows(outlook, card)]


def pressure_rows(outlook: Forecast, card: Card) -> list[tuple[str, ...]]:
    """Rows of a card's oil pressures, and of the cooler pressure drop if there is a cooler."""
    u = units_of(outlook.trip.units)
    rows: list[tuple[str, ...]] = []
    for name, band, least in (
        ("oil pressure, hot idle", card.idle_pa, card.idle_least_pa),
        ("oil pressure, cruise", card.cruise_pa, card.cruise_least_pa),
    ):
        rows.append((name, "", f"below {_pressure(least, u)}", _pressures(band, u), "", ""))
    if card.drop_pa is not None:
        half = _pressure(0.5 * card.drop_pa[0], u)
        blocked = f"{_pressure(1.5 * card.drop_pa[1], u)}: blocked"
        low = f"below {half}: burst line, open bypass"
        rows.append(("oil cooler pressure drop", "", low, _pressures(card.drop_pa, u), "", blocked))
    return rows


def pressure_table_rows(outlook: Forecast, reference: Reference) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Headings and rows of oil pressure by engine speed and oil temperature."""
    u = units_of(outlook.trip.units)
    temps, rows = pressure_table(outlook, reference)
    head = ("oil pressure", *(f"oil {u.temp(t):.0f} {u.temperature}" for t in temps))
    return head, [
        (
            f"{row.engine_rad_per_s * 60.0 / (2.0 * math.pi):.0f} rpm",
            *(_pressures(band, u) for band in row.bands_pa),
        )
        for row in rows
    ]


def _pressure(pa: float, units: Units) -> str:
    return f"{pa / _PSI:.0f} psi" if units.distance == "mi" else f"{pa / BAR:.1f} bar"


def _pressures(band_pa: tuple[float, float], units: Units) -> str:
    low, high = (_pressure(pa, units) for pa in band_pa)
    if band_pa[1] == RELIEF_PA:  # no reading of this car: only the relief valve bounds it
        return f"over {low}"
    return f"{low.rsplit(' ', 1)[0]}–{high}"


def alarm_title(outlook: Forecast, card: Card) -> str:
    """Name of a card's leg."""
    return "Whole trip" if card.leg is None else leg_name(outlook, card.leg)


def alarms_dict(outlook: Forecast, cards: Sequence[Card], reference: Reference) -> dict[str, Any]:
    """Return all cards as plain data."""
    return {
        "schema": "grademargin-alarms/1",
        "trip": outlook.trip.name,
        "rests_on": reference.words,
        "cards": [
            {
                "leg": card.leg,
                "title": alarm_title(outlook, card),
                "fluids": [fluid_data(f) for f in card.fluids],
                "oil_idle_pa": list(card.idle_pa),
                "oil_idle_least_pa": card.idle_least_pa,
                "oil_cruise_pa": list(card.cruise_pa),
                "oil_cruise_least_pa": card.cruise_least_pa,
                "cooler_drop_pa": None if card.drop_pa is None else list(card.drop_pa),
            }
            for card in cards
        ],
    }
