"""The bodies and fluids of a car and the factors of its draws: one table that all modules read.

Only the compiled kernel repeats these numbers; a test keeps the two equal. See "Adding a fluid" in DEVELOPERS.md.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from operator import attrgetter
from typing import Any, NamedTuple

import numpy as np

from thermal.ranges import FloatArray
from thermal.vehicle import Limit, Node, Vehicle


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """One lumped body of the model."""

    key: str  # in files and in Python; a fluid's body has the fluid's key
    part: str  # where a `Vehicle` keeps its `Node`
    # Share of still-air convection and radiation that is left by what shields it. Bonnet and inner wings shield block
    # and hoses: one shield halves radiation (Incropera sec. 13.3.2), and two films in series halve convection.
    open_share: float = 1.0
    at_coolant: bool = False  # whether it starts a log at coolant temperature; else half-way to the air
    warm_k: float | None = None  # ASSUMED: on an ordinary drive, where it follows neither coolant nor air


BODIES = (
    Body(key="metal", part="metal", open_share=0.5, at_coolant=True),
    Body(key="coolant", part="coolant", open_share=0.5, at_coolant=True),
    Body(key="engine_oil", part="oil", at_coolant=True, warm_k=371.0),
    Body(key="transmission", part="transmission", warm_k=348.0),
    Body(key="differential", part="differential", warm_k=353.0),
    Body(key="rotors", part="rotors"),
    Body(key="power_steering", part="power_steering", warm_k=343.0),
)
BODY_KEYS = tuple(body.key for body in BODIES)
N_BODY = len(BODIES)
METAL, ROTORS = BODY_KEYS.index("metal"), BODY_KEYS.index("rotors")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fluid:
    """One fluid whose margin is forecast."""

    key: str  # in files and in Python; its body has the same
    label: str  # in tables
    short: str  # in narrow tables
    limit_part: str  # where a `Vehicle` keeps its `Limit`
    limit_kind: str = "degradation"  # or "boiling", which falls with height
    factors: tuple[str, ...] = ()  # of the draws, that affect this fluid before any other
    gauge: bool = True  # whether owners have a gauge for it, or can fit one
    # Whether a car has it; else no column and no row shows it.
    fitted: Callable[[Vehicle], bool] = field(default=lambda _: True, compare=False)

    @property
    def index(self) -> int:
        """Place among the fluids."""
        return FLUID_KEYS.index(self.key)

    @property
    def node(self) -> int:
        """Place of its body among the bodies."""
        return BODY_KEYS.index(self.key)


FLUIDS = (
    Fluid(
        key="coolant",
        label="coolant",
        short="coolant",
        limit_part="coolant_limit",
        limit_kind="boiling",
        factors=("airflow", "radiator"),
    ),
    Fluid(
        key="engine_oil",
        label="engine oil",
        short="oil",
        limit_part="engine_oil_limit",
        factors=("oil_heat", "oil_coolant", "oil_cooler"),
    ),
    Fluid(
        key="transmission",
        label="transmission",
        short="trans.",
        limit_part="transmission_limit",
        factors=("gearbox_heat", "gearbox_loss", "tank", "converter"),
    ),
    Fluid(
        key="differential",
        label="differential",
        short="diff.",
        limit_part="differential_limit",
        factors=("axle_heat", "axle_loss"),
        fitted=lambda vehicle: vehicle.axle.kind != "transaxle",  # a transaxle's is the transmission's
    ),
    Fluid(
        key="power_steering",
        label="power steering",
        short="steering",
        limit_part="power_steering_limit",
        factors=("steering_heat", "steering_loss"),
        gauge=False,
        fitted=lambda vehicle: vehicle.steering.kind == "hydraulic",
    ),
)
FLUID_KEYS = tuple(fluid.key for fluid in FLUIDS)
N_FLUID = len(FLUIDS)
FLUID_NODES = [fluid.node for fluid in FLUIDS]


class DrawnFactor(NamedTuple):
    """One factor of the draws: what it scales, and the standard deviation of its logarithm for a car without logs.

    ASSUMED: the deviations give about +-8 K on coolant and +-12 to 15 K on the oils at load, which is what common
    practice allows an uncalibrated forecast. A fit narrows them. `later` factors are drawn from a sequence of their
    own, so that one which is added leaves the draws of the others as they were.
    """

    words: str
    spread: float
    later: bool = False


FACTORS: Mapping[str, DrawnFactor] = {
    "engine_heat": DrawnFactor("heat the engine makes", 0.08),
    "airflow": DrawnFactor("air through the radiator", 0.18),
    "radiator": DrawnFactor("radiator conductance at a given air flow", 0.10),
    "oil_heat": DrawnFactor("heat made in the engine's oil", 0.15),
    "oil_coolant": DrawnFactor("heat passed between oil and coolant", 0.30),
    "oil_cooler": DrawnFactor("heat rejection of oil cooler and sump", 0.20),
    "gearbox_heat": DrawnFactor("heat the transmission makes", 0.17),
    "gearbox_loss": DrawnFactor("heat rejection of the transmission", 0.17),
    "axle_heat": DrawnFactor("heat the differential makes", 0.12),
    "axle_loss": DrawnFactor("heat rejection of the differential", 0.12),
    "capacity": DrawnFactor("total heat capacity, which sets the warm-up time", 0.10),
    "brake_heat": DrawnFactor("heat absorbed by the brakes", 0.10),
    "steering_heat": DrawnFactor("heat the power steering's pump makes", 0.30, later=True),
    "steering_loss": DrawnFactor("heat rejection of the power steering", 0.25, later=True),
    "mass": DrawnFactor("mass of car and trailer (rolling and climbing)", 0.06, later=True),
    "drag": DrawnFactor("drag area of car and trailer", 0.11, later=True),
    "wind": DrawnFactor("wind along the road, exp(0.1 x m/s)", 0.30, later=True),
    "tank": DrawnFactor("heat taken by the transmission's cooler in the radiator on a cruise", 0.60, later=True),
    "converter": DrawnFactor("heat wasted by the torque converter; 2: twice as much", 0.30, later=True),
}

FACTOR_RANGE = (0.1, 5.0)  # ASSUMED: what a fit may find and a file may say; beyond it lies a wrong log or a slip


def fluid_of(key: str) -> Fluid:
    """Fluid with a given key; `ValueError` if there is none.

    >>> fluid_of("engine_oil").node, fluid_of("engine_oil").index
    (2, 1)
    """
    return FLUIDS[FLUID_KEYS.index(key)]


def fluids_in(vehicle: Vehicle) -> tuple[Fluid, ...]:
    """Fluids of one car, in the model's order."""
    return tuple(fluid for fluid in FLUIDS if fluid.fitted(vehicle))


def limit_of(vehicle: Vehicle, fluid: Fluid) -> Limit:
    """Working range of one fluid in one car."""
    held: Limit = attrgetter(fluid.limit_part)(vehicle)
    return held


def node_of(vehicle: Vehicle, body: Body) -> Node:
    """Capacity and surface of one body in one car."""
    held: Node = attrgetter(body.part)(vehicle)
    return held


def each_body(of: Callable[[Body], Any]) -> FloatArray:
    """Make an array of one number per body, shape (n_body,).

    >>> each_body(lambda body: body.open_share)[:3]
    array([0.5, 0.5, 1. ])
    """
    return np.array([of(body) for body in BODIES], dtype=np.float64)
