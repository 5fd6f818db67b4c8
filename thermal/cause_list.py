"""Causes that can make a log differ from what was expected: what each changes in the car, and sizes worth trying."""

import copy
from collections.abc import Collection
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from thermal.fluids import FLUIDS, fluid_of
from thermal.vehicle import Vehicle

USUAL, UNEXPLAINED = "usual", "unexplained"
# ASSUMED: how large faults are, as the standard deviation of a factor's logarithm (0.3 to 0.7) and of a gauge's error
# (5 to 15 K); factors are tried up to 3.3, errors up to 30 K.
_FACTOR_SD, _OFFSET_SD_K = 0.5, 10.0
_LOG_STEPS = np.linspace(0.1, 1.2, 9)
_SERIOUS_LOG = 0.5  # ASSUMED: three fifths of what it should be, or five thirds (0.3 to 0.7)
_SERIOUS_GAUGE_K = 12.0  # ASSUMED: the least that sends an owner after a fault that is not there (8 to 15 K)
_GAUGE_STEPS_K = np.array([3.0, 4.5, 6.0, 8.0, 10.0, 12.0, 14.0, 17.0, 20.0, 25.0, 30.0])
NAMES = {fluid.node: fluid.label for fluid in FLUIDS if fluid.gauge}
# Causes that a log seldom distinguishes, and that need the same inspection.
COOLING = frozenset({"airflow", "radiator", "fan", "flow"})
GEARBOX = frozenset({"gearbox_heat", "gearbox_loss"})
FAMILIES = {
    COOLING: "the cooling system passes less heat",
    GEARBOX: "the transmission runs hotter",
    frozenset({"axle_heat", "axle_loss"}): "the differential runs hotter",
    frozenset({"engine_heat", "load"}): "more engine work or heat",
}


class Cause(NamedTuple):
    """One cause: factors moved together, or a part of the car changed, or a gauge; values tried, and their weights."""

    name: str
    words: str
    factors: tuple[str, ...] = ()
    part: str = ""  # "section.field,section.field" of one section: kelvins added, or a share where `added` is not set
    added: bool = False
    node: int = -1
    values: tuple[float, ...] = (0.0,)
    weights: tuple[float, ...] = (1.0,)
    serious: tuple[float, ...] = ()  # smallest relevant value either way; none if the cause has no such size
    untold: tuple[int, ...] = ()  # bodies that it moves by an amount that the model does not know

    @property
    def in_gauge(self) -> bool:
        """Whether only a gauge is wrong, not the car."""
        return self.node >= 0


def _scaled(name: str, words: str, factors: tuple[str, ...], signs: tuple[int, ...]) -> Cause:
    """A cause that moves factors up, down, or either way."""
    values = np.concatenate([sign * _LOG_STEPS for sign in signs])
    weights = np.exp(-0.5 * (values / _FACTOR_SD) ** 2)
    return Cause(
        name,
        words,
        factors=factors,
        values=tuple(values),
        weights=tuple(weights / weights.sum()),
        serious=(signs[0] * _SERIOUS_LOG,) if len(signs) == 1 else (),
    )


def _gauge(name: str, words: str, node: int) -> Cause:
    """A gauge that reads too much or too little."""
    values = np.concatenate((-_GAUGE_STEPS_K, _GAUGE_STEPS_K))
    weights = np.exp(-0.5 * (values / _OFFSET_SD_K) ** 2)
    serious = (-_SERIOUS_GAUGE_K, _SERIOUS_GAUGE_K)
    return Cause(name, words, node=node, values=tuple(values), weights=tuple(weights / weights.sum()), serious=serious)


def _part(
    name: str,
    words: str,
    part: str,
    values: tuple[float, ...],
    *,
    serious: tuple[float, ...],
    added: bool = False,
    untold: tuple[int, ...] = (),
) -> Cause:
    """A part of the car changed, all sizes equally likely."""
    weights = (1.0 / len(values),) * len(values)
    return Cause(name, words, part=part, added=added, values=values, weights=weights, serious=serious, untold=untold)


_THERMOSTAT = "cooling.thermostat_open_k,cooling.thermostat_full_k"
CAUSES = (
    _scaled("airflow", "less cooling air: grille or core blocked, fan weak", ("airflow",), (-1,)),
    _scaled("radiator", "the radiator passes less heat: scaled, silted, low coolant", ("radiator",), (-1,)),
    # How much a fan matters is known to a factor of two: a dead one of another car looked like one that slips by half.
    _part("fan", "the fan does not turn, or slips", "cooling.fan_flow_m3_per_s", (0.5, 0.05), serious=(0.05, 0.5)),
    _part(
        "flow",
        "too little coolant flows: pump, hose, low level",
        "cooling.pump_flow_kg_per_s",
        (0.55, 0.35, 0.2),
        serious=(0.35,),
        # The law of a cooler in the radiator's tank is off by a factor of two to three (docs/learning.md): a sound
        # automatic's fluid 15 K from what was expected was called too little coolant.
        untold=(fluid_of("transmission").node,),
    ),
    _scaled("engine_heat", "the engine makes more heat: mixture, timing, head gasket", ("engine_heat",), (1,)),
    _scaled(
        "load",
        "more work than planned: weight, headwind, a dragging brake",
        ("engine_heat", "gearbox_heat", "axle_heat"),
        (1,),
    ),
    _part(
        "thermostat_open",
        "the thermostat is stuck open",
        _THERMOSTAT,
        (-8.0, -15.0, -25.0, -60.0, -90.0),
        serious=(-25.0,),
        added=True,
    ),
    _part(
        "thermostat_late",
        "the thermostat opens late or sticks",
        _THERMOSTAT,
        (6.0, 8.0, 10.0, 12.0, 14.0, 16.0, 18.0, 21.0, 25.0),
        serious=(12.0,),
        added=True,
    ),
    _scaled("oil_heat", "more heat made in the engine's oil: level, bearings", ("oil_heat",), (1,)),
    _scaled(
        "oil_coolant", "changed heat exchange between oil and coolant: oil level, exchanger", ("oil_coolant",), (-1, 1)
    ),
    _part(
        "oil_cooler",
        "the oil cooler rejects less heat: blocked, its thermostat shut",
        "oil_cooler.conductance_w_per_k",
        (0.5, 0.25, 0.02),
        serious=(0.25,),
    ),
    _scaled("gearbox_heat", "the transmission makes more heat: slip, no lock-up, fluid level", ("gearbox_heat",), (1,)),
    _scaled("gearbox_loss", "the transmission rejects less heat: cooler blocked", ("gearbox_loss",), (-1,)),
    _scaled("axle_heat", "the differential makes more heat: bearings, oil level", ("axle_heat",), (1,)),
    _scaled("axle_loss", "the differential rejects less heat", ("axle_loss",), (-1,)),
    *(_gauge(f"offset_{node}", f"the {words} gauge is off", node) for node, words in NAMES.items()),
    *(Cause(f"stuck_{node}", f"the {words} gauge is stuck", node=node) for node, words in NAMES.items()),
)
WORDS = {cause.name: cause.words for cause in CAUSES}
# The gauge required to detect a cause; causes not listed need any one.
_NEEDS = {
    **{factor: fluid.node for fluid in FLUIDS for factor in fluid.factors},
    **dict.fromkeys(("fan", "flow", "thermostat_open", "thermostat_late"), fluid_of("coolant").node),
}


def causes_for(vehicle: Vehicle, bodies: Collection[int]) -> tuple[Cause, ...]:
    """Choose the causes that readings of some `bodies` of the model can speak of, without what is usual.

    A car without a cooler cannot have it blocked.
    """
    out = []
    for cause in CAUSES:
        node = _NEEDS.get(cause.name, cause.node)
        cooled = cause.name != "oil_cooler" or vehicle.oil_cooler.kind != "none"
        if cooled and (node in bodies or (node < 0 and bodies)):
            out.append(cause)
    return tuple(out)


def changed(vehicle: Vehicle, cause: Cause, value: float) -> Vehicle:
    """Put a cause that has a `part` into a car, also beyond what a sound one can have.

    `value` is kelvins added, or a share.
    """
    paths = [path.partition(".") for path in cause.part.split(",")]
    section = paths[0][0]
    held: Any = copy.copy(getattr(vehicle, section))
    for _, _, name in paths:
        before = getattr(held, name)
        object.__setattr__(held, name, before + value if cause.added else before * value)
    return replace(vehicle, **{section: held})


def faulty_thermostat(vehicle: Vehicle, shift_k: float) -> Vehicle:
    """Move a thermostat's opening and full opening, also beyond what a sound one can have."""
    return changed(vehicle, next(c for c in CAUSES if c.name == "thermostat_late"), shift_k)
