"""One car as the model sees it: frozen, checked once, SI units.

The metadata of each field contains its unit and plausible range; the TOML reader (`thermal.vehicle_file`) and the
tables of docs/formats.md use the same metadata, so a field is described in one place.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from itertools import pairwise
from typing import Any

from thermal.errors import ParameterError, shown
from thermal.oil import Oil, oil_from_viscosities


def quantity(unit: str, low: float, high: float, doc: str, *, likely: float = 0.2, several: bool = False) -> Any:
    """Declare a numeric field, or a list of `several`, in an SI unit or `delta K`, plausible from `low` to `high`.

    `likely` is the ASSUMED likely error of an unmeasured value as a fraction of it; a temperature's is always 3 K. [-]
    """
    return field(metadata={"unit": unit, "low": low, "high": high, "doc": doc, "likely": likely, "several": several})


def choice(options: tuple[str, ...], doc: str, *, refused: dict[str, str] | None = None) -> Any:
    """Declare a field with one of a few words."""
    return field(metadata={"options": options, "doc": doc, "refused": refused or {}})


def check_fields(section: Any) -> None:
    """Check every declared field of a section; `ParameterError` names the field, its value and what is allowed."""
    for item in fields(section):
        value, meta = getattr(section, item.name), item.metadata
        where = f"{type(section).__name__.lower()}.{item.name}"
        if "options" in meta and value not in meta["options"]:
            message = f"{where} is {shown(value)}; allowed: {', '.join(meta['options'])}"
            raise ParameterError(message)
        for number in value if isinstance(value, tuple) else (value,):
            if "low" in meta and number is not None and not meta["low"] <= number <= meta["high"]:
                message = f"{where} is {number:g} {meta['unit']}; plausible is {meta['low']:g} to {meta['high']:g}"
                raise ParameterError(message)


class _Checked:
    __slots__ = ()

    def __post_init__(self) -> None:
        check_fields(self)


# Drag area added on the roof and behind the car, by kind, the part in the car's wake taken off. ASSUMED: usual fronts
# times 0.3 to 0.5; a third either way, common practice. [m2]
ROOF_DRAG_M2 = {"none": 0.0, "bars": 0.04, "box": 0.13, "rack": 0.25, "bicycles": 0.25, "tent": 0.18}
TRAILER_DRAG_M2 = {
    "none": 0.0,
    "utility": 0.35,
    "boat": 0.9,
    "horse box": 1.6,
    "pop-up camper": 0.5,
    "camper": 2.1,
    "car on open trailer": 0.9,
    "enclosed": 1.9,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Body(_Checked):
    """What the road and the air resist."""

    mass_kg: float = quantity("kg", 400, 8000, "mass of the laden car without the trailer", likely=0.1)
    drag_area_m2: float = quantity("m**2", 0.3, 4.0, "drag coefficient times frontal area")
    roof: str = choice(tuple(ROOF_DRAG_M2), "load on the roof; adds drag, its mass counts as the car's")
    rolling_coefficient: float = quantity("dimensionless", 0.005, 0.03, "rolling resistance over weight")
    tyre_radius_m: float = quantity("m", 0.2, 0.6, "rolling radius of the driven tyres", likely=0.03)
    tow_rating_kg: float = quantity("kg", 0, 6000, "heaviest laden trailer the maker allows; 0 = none")

    @property
    def drag_m2(self) -> float:
        """Drag area including roof load. [m2]."""
        return self.drag_area_m2 + ROOF_DRAG_M2[self.roof]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trailer(_Checked):
    """What is towed; all zero for a solo car."""

    mass_kg: float = quantity("kg", 0, 6000, "mass of the laden trailer; 0 = none", likely=0.1)
    kind: str = choice(tuple(TRAILER_DRAG_M2), "kind of trailer; sets its drag where drag_area is 0")
    drag_area_m2: float = quantity("m**2", 0, 6.0, "drag area the trailer adds; 0 = that of its kind")
    rolling_coefficient: float = quantity("dimensionless", 0.005, 0.03, "rolling resistance over weight, trailer")

    @property
    def drag_m2(self) -> float:
        """Drag area it adds: as given, else its kind's; nothing without a trailer. [m2]."""
        if self.mass_kg == 0.0:
            return 0.0
        return self.drag_area_m2 if self.drag_area_m2 > 0.0 else TRAILER_DRAG_M2[self.kind]


_AIR_COOLED = (
    "an air-cooled engine has no coolant, radiator or thermostat: its heads and oil carry all the heat, and this model "
    "has been checked against none. No class approximates it; use the maker's limits and gauges for oil and heads"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Engine(_Checked):
    """Work, fuel and waste heat."""

    fuel: str = choice(("petrol", "diesel"), "fuel burnt")
    induction: str = choice(("natural", "turbo"), "aspiration; sets the loss of power with elevation")
    cooling: str = choice(("liquid",), "cooling of the engine; air is not modelled", refused={"air": _AIR_COOLED})
    displacement_m3: float = quantity("m**3", 0.0003, 0.010, "swept volume", likely=0.02)
    peak_power_w: float = quantity("W", 10e3, 600e3, "rated power at its speed", likely=0.1)
    peak_power_speed_rad_per_s: float = quantity("rad/s", 150, 1000, "engine speed at rated power", likely=0.05)
    peak_torque_nm: float = quantity("N*m", 30, 1500, "greatest torque", likely=0.1)
    peak_torque_speed_rad_per_s: float = quantity("rad/s", 100, 800, "engine speed at greatest torque", likely=0.05)
    idle_speed_rad_per_s: float = quantity("rad/s", 50, 150, "warm idle speed")
    top_speed_rad_per_s: float = quantity("rad/s", 200, 1100, "highest engine speed allowed", likely=0.05)
    indicated_efficiency: float = quantity("dimensionless", 0.25, 0.50, "indicated work over fuel energy", likely=0.05)
    friction_pressure_pa: float = quantity("Pa", 3e4, 3e5, "friction and pumping mean effective pressure at zero speed")
    friction_slope_pa_s: float = quantity("Pa*s", 0, 800, "its increase with engine speed")
    accessory_power_w: float = quantity("W", 0, 6000, "alternator, pumps, steering, engine-driven fan, at cruise")
    coolant_share: float = quantity("dimensionless", 0.1, 0.6, "share of the combustion waste heat taken by the metal")
    oil_share: float = quantity("dimensionless", 0.0, 0.1, "share of the combustion waste heat taken by the oil")
    friction_oil_share: float = quantity("dimensionless", 0.1, 0.9, "share of friction heat made in the oil")
    overrun_fuel: str = choice(("cut", "idle"), "fuel on overrun: cut off, or as at idle")


@dataclass(frozen=True, slots=True, kw_only=True)
class Gearbox(_Checked):
    """Ratios and losses from crankshaft to propeller shaft."""

    kind: str = choice(("manual", "automatic"), "manual or automatic")
    ratios: tuple[float, ...] = quantity(
        "dimensionless", 0.4, 8.0, "gear ratios, first to top", several=True, likely=0.05
    )
    mesh_efficiency: float = quantity("dimensionless", 0.90, 1.0, "efficiency of an indirect gear", likely=0.007)
    direct_efficiency: float = quantity("dimensionless", 0.92, 1.0, "efficiency of the 1:1 gear", likely=0.003)
    spin_loss_w: float = quantity("W", 20, 4000, "drag, churning and pump loss at 3000 rpm and 80 degC")
    lugging_speed_rad_per_s: float = quantity("rad/s", 80, 400, "lowest engine speed for pulling", likely=0.1)
    reserve: float = quantity("dimensionless", 0.0, 1.0, "power reserve required in a gear, as a share of the demand")
    descent_speed_rad_per_s: float = quantity("rad/s", 150, 800, "highest engine speed in engine braking", likely=0.1)
    stall_speed_rad_per_s: float = quantity("rad/s", 0, 450, "converter stall speed at greatest torque; 0 for a manual")
    lockup_ratio: float = quantity("dimensionless", 0, 8, "converter locks up to this ratio; 0 = never", likely=0.05)
    lockup_road_speed_m_per_s: float = quantity("m/s", 0, 100, "road speed from which the converter locks; 100 = never")


@dataclass(frozen=True, slots=True, kw_only=True)
class Axle(_Checked):
    """The final drive."""

    kind: str = choice(("hypoid", "transaxle"), "own housing and oil, or shared with the transmission")
    ratio: float = quantity("dimensionless", 2.0, 8.0, "final drive ratio", likely=0.05)
    efficiency: float = quantity("dimensionless", 0.88, 1.0, "load-proportional efficiency, warm", likely=0.007)
    spin_loss_w: float = quantity("W", 5, 1500, "churning and bearing loss at 100 km/h and 80 degC")


@dataclass(frozen=True, slots=True, kw_only=True)
class Steering(_Checked):
    """Power steering; its pump heats a separate fluid."""

    kind: str = choice(("none", "hydraulic"), "hydraulic, or none (electric or unassisted)")
    spin_loss_w: float = quantity("W", 0, 2000, "pump's loss, wheels straight, at 3000 rpm and 80 degC", likely=0.3)
    relief_power_w: float = quantity("W", 0, 5000, "pump's flow times its relief pressure", likely=0.3)


_AGE = {"new": 0.0, "unknown": 0.5, "original": 1.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Cooling(_Checked):
    """Coolant, pump, thermostat, radiator, fan and the components in front of it."""

    glycol: str = choice(("ethylene", "propylene"), "antifreeze base")
    glycol_share: float = quantity("dimensionless", 0.0, 0.7, "antifreeze by volume", likely=0.1)
    cap_pressure_pa: float = quantity("Pa", 0, 2.0e5, "pressure cap, gauge", likely=0.1)
    inlet_allowance_k: float = quantity("delta K", 0, 15, "boiling margin lost at the pump inlet and hot spots")
    thermostat_open_k: float = quantity("K", 333, 383, "begins to open")
    thermostat_full_k: float = quantity("K", 338, 398, "fully open")
    pump_flow_kg_per_s: float = quantity("kg/s", 0.2, 6, "coolant flow at 3000 rpm, thermostat open")
    radiator_w_per_k: float = quantity("W/K", 200, 6000, "overall conductance at 1 kg/s of air and 1.5 kg/s of coolant")
    air_side_share: float = quantity("dimensionless", 0.4, 0.95, "share of the resistance on the air side there")
    air_exponent: float = quantity("dimensionless", 0.4, 0.8, "air-side conductance ~ flow to this power")
    face_area_m2: float = quantity("m**2", 0.05, 1.0, "radiator face", likely=0.1)
    ram_ratio: float = quantity("dimensionless", 0.03, 0.4, "air speed at the face over road speed")
    airflow_share: float = quantity(
        "dimensionless", 0.2, 1.2, "1 = clean grille and core; less: lamps, bugs, bent fins"
    )
    condition: str = choice(("new", "original", "unknown"), "radiator core: new, as old as the car, or unknown")
    original_core: float = quantity("dimensionless", 0.3, 1.0, "conductance of an original core, new = 1", likely=0.15)
    original_air: float = quantity("dimensionless", 0.5, 1.0, "air through an original core, new = 1", likely=0.1)
    recirculation: float = quantity(
        "dimensionless", 0.0, 0.6, "share of the radiator's air drawn in again at rest", likely=0.5
    )
    fan: str = choice(("electric", "viscous", "fixed"), "fan drive")
    fan_flow_m3_per_s: float = quantity("m**3/s", 0.1, 4, "air the fan moves through the core at full speed")
    fan_on_k: float = quantity("K", 333, 393, "electric: switches on; viscous: engaged, on a hot grade")
    fan_off_k: float = quantity("K", 323, 390, "electric: switches off; viscous: begins, on a hot grade")
    condenser_heat_w: float = quantity("W", 0, 12e3, "A/C condenser's heat, into the radiator's air; 0 = no A/C")
    compressor_power_w: float = quantity("W", 0, 8e3, "A/C compressor load at cruise")
    heater_w_per_k: float = quantity("W/K", 0, 300, "cabin heater at full, to outside air, at 3000 rpm", likely=0.4)

    @property
    def core_share(self) -> float:
        """Conductance of the core relative to a new one; the geometric mean if its age is unknown."""
        return float(self.original_core ** _AGE[self.condition])

    @property
    def air_share(self) -> float:
        """Air through the core as it is, grille and core both, over that of a new, clean one."""
        return float(self.airflow_share * self.original_air ** _AGE[self.condition])


@dataclass(frozen=True, slots=True, kw_only=True)
class Lubricant(_Checked):
    """What is in it: the sort, and viscosities from the bottle or its data sheet."""

    sort: str = choice(("mineral", "synthetic", "conventional", "long-life"), "kind of fluid; see the sorts of oil")
    viscosity_40c_m2_per_s: float = quantity("m**2/s", 5e-6, 1e-3, "kinematic viscosity at 40 degC")
    viscosity_100c_m2_per_s: float = quantity("m**2/s", 2e-6, 6e-5, "kinematic viscosity at 100 degC")

    @property
    def oil(self) -> Oil:
        """Walther's line for this lubricant."""
        return oil_from_viscosities(
            at_40c_m2_per_s=self.viscosity_40c_m2_per_s, at_100c_m2_per_s=self.viscosity_100c_m2_per_s
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Cooler(_Checked):
    """An added or fitted cooler for one fluid."""

    kind: str = choice(("none", "air", "water"), "to outside air, to coolant (in-radiator or plate), or absent")
    conductance_w_per_k: float = quantity("W/K", 0, 1500, "at 100 km/h for air, at 3000 rpm for water; open thermostat")
    open_k: float = quantity("K", 273, 413, "its thermostat or switch begins to open; 273.15 K = always open")
    full_k: float = quantity("K", 274, 423, "fully open")


@dataclass(frozen=True, slots=True, kw_only=True)
class Node(_Checked):
    """One lumped body and its outside surface."""

    heat_capacity_j_per_k: float = quantity("J/K", 2e3, 4e5, "fluid plus the metal at its temperature")
    surface_w_per_k: float = quantity("W/K", 0, 200, "conductance to the air at 100 km/h and sea level")
    area_m2: float = quantity("m**2", 0, 4, "outside surface, for still air and radiation")
    emissivity: float = quantity("dimensionless", 0.05, 1.0, "of that surface")


@dataclass(frozen=True, slots=True, kw_only=True)
class Links(_Checked):
    """Heat passed between the bodies and from the exhaust."""

    metal_coolant_w_per_k: float = quantity("W/K", 500, 20e3, "block to coolant at 3000 rpm; ~ flow^0.8")
    oil_coolant_w_per_k: float = quantity("W/K", 0, 400, "oil to coolant inside the engine at 3000 rpm")
    metal_oil_w_per_k: float = quantity("W/K", 0, 400, "block to oil, running")
    metal_transmission_w_per_k: float = quantity("W/K", 0, 40, "block to gearbox, through the bell housing")
    underbody_rise_k_per_w: float = quantity("K/W", 0, 1e-3, "rise of the air under the floor per exhaust heat, 25 m/s")


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit(_Checked):
    """Working range of one fluid."""

    warm_k: float = quantity("K", 273, 380, "do not load the car below this")
    caution_k: float = quantity("K", 320, 430, "watch from here")
    limit_k: float = quantity("K", 330, 450, "back off or stop from here")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tank(_Checked):
    """Fuel carried."""

    capacity_m3: float = quantity("m**3", 0.01, 0.5, "usable tank", likely=0.05)
    reserve: float = quantity("dimensionless", 0.0, 0.6, "reserve share")


# A car without hydraulic steering: no heat, no surface, and limits that are not used.
_NO_STEERING = Steering(kind="none", spin_loss_w=0.0, relief_power_w=0.0)
_NO_FLUID = Lubricant(sort="conventional", viscosity_40c_m2_per_s=35e-6, viscosity_100c_m2_per_s=7.3e-6)
_NO_COOLER = Cooler(kind="none", conductance_w_per_k=0.0, open_k=273.15, full_k=274.15)
_NO_BODY = Node(heat_capacity_j_per_k=6e3, surface_w_per_k=0.0, area_m2=0.0, emissivity=0.8)
_NO_LIMIT = Limit(warm_k=273.15, caution_k=388.15, limit_k=403.15)

# Optional sections, unless required by the given section, key and word.
OPTIONAL = dict.fromkeys(
    ("steering", "power_steering_oil", "power_steering_cooler", "power_steering", "power_steering_limit"),
    ("steering", "kind", "hydraulic"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Vehicle:
    """A whole car; sections with a default are optional in its file."""

    name: str
    body: Body
    trailer: Trailer
    engine: Engine
    gearbox: Gearbox
    axle: Axle
    cooling: Cooling
    engine_oil: Lubricant
    transmission_oil: Lubricant
    differential_oil: Lubricant
    oil_cooler: Cooler
    transmission_cooler: Cooler
    differential_cooler: Cooler
    links: Links
    metal: Node
    coolant: Node
    oil: Node
    transmission: Node
    differential: Node
    rotors: Node
    coolant_limit: Limit
    engine_oil_limit: Limit
    transmission_limit: Limit
    differential_limit: Limit
    tank: Tank
    steering: Steering = _NO_STEERING
    power_steering_oil: Lubricant = _NO_FLUID
    power_steering_cooler: Cooler = _NO_COOLER
    power_steering: Node = _NO_BODY
    power_steering_limit: Limit = _NO_LIMIT

    def __post_init__(self) -> None:
        """Check what single fields cannot show."""
        for holds, message in (*self._rules(), *self._fluid_rules()):
            if not holds:
                raise ParameterError(message)

    def _rules(self) -> Iterator[tuple[bool, str]]:
        e, cooling = self.engine, self.cooling
        idle, strongest, rated = e.idle_speed_rad_per_s, e.peak_torque_speed_rad_per_s, e.peak_power_speed_rad_per_s
        opens, full = cooling.thermostat_open_k, cooling.thermostat_full_k
        yield opens < full, "cooling: thermostat_open must be below thermostat_full"
        yield cooling.fan_off_k < cooling.fan_on_k, "cooling: fan_off must be below fan_on"
        yield idle < e.top_speed_rad_per_s, "engine: idle_speed must be below top_speed"
        yield idle < strongest, "engine: idle_speed must be below peak_torque_speed"
        in_order = strongest < rated <= e.top_speed_rad_per_s
        yield in_order, "engine: peak_torque_speed < peak_power_speed <= top_speed is needed"
        most_w = 1.02 * e.peak_torque_nm * rated  # 2 %: both figures are rounded
        yield e.peak_power_w <= most_w, "engine: peak_power needs more torque at its speed than peak_torque"
        yield e.coolant_share + e.oil_share <= 0.7, "engine: coolant_share + oil_share must leave the exhaust 30 %"
        drags = self.trailer.mass_kg == 0.0 or self.trailer.drag_m2 > 0.0
        kinds = ", ".join(kind for kind in TRAILER_DRAG_M2 if kind != "none")
        yield drags, f"trailer: it has a mass but no drag; set its kind ({kinds}) or its drag_area"
        ratios, stall = self.gearbox.ratios, self.gearbox.stall_speed_rad_per_s
        yield all(a > b for a, b in pairwise(ratios)), "gearbox: ratios must fall from first to top"
        fits = (self.gearbox.kind == "automatic") == (stall > 0)
        yield fits, "gearbox: an automatic needs stall_speed above 0, a manual 0 rpm"

    def _fluid_rules(self) -> Iterator[tuple[bool, str]]:
        for name in ("differential_cooler", "power_steering_cooler"):
            no_water = getattr(self, name).kind != "water"
            yield no_water, f"{name}: only 'air' or 'none' is modelled"
        for name, part in ((item.name, getattr(self, item.name)) for item in fields(self)):
            if isinstance(part, Cooler):
                yield part.open_k < part.full_k, f"{name}: open must be below full"
            if isinstance(part, Limit):
                in_order = part.warm_k < part.caution_k < part.limit_k
                yield in_order, f"{name}: warm < caution < limit is needed"
            if isinstance(part, Lubricant):
                thins = part.viscosity_40c_m2_per_s > part.viscosity_100c_m2_per_s
                yield thins, f"{name}: viscosity_40c must be the larger; oil thins as it warms"
