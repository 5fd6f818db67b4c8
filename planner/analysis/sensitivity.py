"""Assumed values, sorted by the change of a margin that the likely error of each causes."""

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from planner.analysis.margins import columns_of, fluids_of
from planner.analysis.unknowns import find_unknowns
from planner.forecast.assemble import Progress, quiet
from planner.forecast.run import Forecast, ambient_sd_k
from thermal.errors import ParameterError
from thermal.simulate import simulate
from thermal.spread import medians
from thermal.vehicle import Vehicle
from thermal.vehicle_file import Entry, key_of, sections

_OF_RANGE = 0.05  # ASSUMED: likely error of a value assumed to be zero, by its plausible range; 0.02 to 0.1
_KELVIN = 3.0  # ASSUMED: likely error of an assumed temperature; other quantities carry theirs where they are declared


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """Change of a fluid's smallest margin when one assumed value changes by its likely error."""

    key: str
    text: str
    source: str
    step: str
    moves_k: float
    margin_k: float
    fluid: str

    @property
    def weight(self) -> float:
        """Change as a share of the margin; a margin under 5 K counts as 5 K."""
        return self.moves_k / max(self.margin_k, 5.0)


def rank_assumptions(outlook: Forecast, *, progress: Progress = quiet) -> tuple[Effect, ...]:
    """Simulate the trip per assumed value, changed by its likely error, and sort by the effect."""
    assumed = [entry for entry in outlook.car.entries if entry.assumed]
    progress(f"trying {len(assumed)} assumed values one at a time")
    base = _smallest(outlook, outlook.car.vehicle)
    found = [effect for entry in assumed if (effect := _effect(outlook, entry, base)) is not None]
    found.append(_weather(outlook, base))
    found += _profiles(outlook, base)
    return tuple(sorted(found, key=lambda effect: (-effect.weight, effect.key)))


def _smallest(outlook: Forecast, vehicle: Vehicle, ambient_k: float = 0.0) -> Any:
    """Smallest margin of every fluid over the trip, shape (n_fluid,). [K]"""
    drive = outlook.timeline.drive
    if ambient_k:
        drive = replace(drive, air_k=drive.air_k + ambient_k)
    result = simulate(
        drive, vehicle, start_k=outlook.start_k, factors=medians(outlook.car.spread), record=np.array([0])
    )
    return result.margin_k[0].min(axis=0)[columns_of(outlook)]


def _effect(outlook: Forecast, entry: Entry, base: Any) -> Effect | None:
    """Change one value both ways; None for a word, or if it cannot change."""
    section, key = entry.key.split(".")
    item = next(f for f in fields(sections()[section]) if key_of(f) == key)
    part = getattr(outlook.car.vehicle, section)
    value = getattr(part, item.name)
    if "unit" not in item.metadata or isinstance(value, tuple):
        return None
    step, text = _step(item.metadata, value)
    changes = []
    for sign in (-1.0, 1.0):
        moved = min(max(value + sign * step, item.metadata["low"]), item.metadata["high"])
        try:
            vehicle = replace(outlook.car.vehicle, **{section: replace(part, **{item.name: moved})})
        except ParameterError:
            continue
        changes.append(np.abs(_smallest(outlook, vehicle) - base))
    if not changes:
        return None
    return _pick(outlook, np.max(changes, axis=0), base, entry.key, entry.text, entry.source, text)


def _pick(outlook: Forecast, change_k: Any, base_k: Any, key: str, text: str, source: str, step: str) -> Effect:
    """Keep the fluid whose margin changes by the largest share."""
    fluid = int(np.argmax(change_k / np.maximum(base_k, 5.0)))
    return Effect(
        key=key,
        text=text,
        source=source,
        step=step,
        moves_k=float(change_k[fluid]),
        margin_k=float(base_k[fluid]),
        fluid=fluids_of(outlook)[fluid],
    )


def _step(meta: Any, value: float) -> tuple[float, str]:
    """Likely error of an assumed value, and its text."""
    if meta["unit"] in ("K", "delta K"):
        return _KELVIN, "3 K"
    if value == 0.0:  # a share of zero would be zero, but an assumed zero is uncertain too
        return _OF_RANGE * (meta["high"] - max(meta["low"], 0.0)), f"{100.0 * _OF_RANGE:g} % of its range"
    return meta["likely"] * abs(value), f"{100.0 * meta['likely']:g} %"


def _profiles(outlook: Forecast, base: Any) -> list[Effect]:
    """Legs without a profile: how much the hardest road on their terrain reduces the smallest margins."""
    unknowns, columns = find_unknowns(outlook), columns_of(outlook)
    found = []
    for leg in sorted({gap.leg for gap in unknowns.gaps}):
        places, this = outlook.trip.places, outlook.legs[leg]
        source = "ASSUMED: no elevations given, and the terrain in between is not flat"
        key = f"profile {places[this.start].name} to {places[this.finish].name}"
        hardest = outlook.nominal.margin_k[0, leg, columns] - unknowns.lost_k[leg, columns]
        moved = base - np.minimum(base, hardest)
        found.append(_pick(outlook, moved, base, key, "a constant grade", source, "the hardest road there"))
    return found


def _weather(outlook: Forecast, base: Any) -> Effect:
    """Effect of weather one standard deviation hotter."""
    sd = float(np.mean(ambient_sd_k(outlook.timeline)))
    change = np.abs(_smallest(outlook, outlook.car.vehicle, sd) - base)
    source = f"ASSUMED: days differ from the usual by {sd:.1f} K (one standard deviation)"
    return _pick(outlook, change, base, "weather", "usual highs and lows", source, f"{sd:.1f} K")
