"""Heat rejected: radiator, coolers, thermostats, bare surfaces in moving air."""

from typing import NamedTuple

import numpy as np

from thermal.air import CP_AIR_J_PER_KGK
from thermal.coolant import heat_capacity_j_per_kgk
from thermal.ranges import FloatArray
from thermal.vehicle import Cooling

STEFAN_BOLTZMANN_W_PER_M2K4 = 5.670374419e-8  # CODATA 2018
REFERENCE_AIR_KG_PER_S = 1.0
REFERENCE_COOLANT_KG_PER_S = 1.5
# Fan speed over shaft speed at 3000 rpm of a viscous clutch, engaged and not. Trade guides (opened): 0.75 or 0.8-0.9,
# and 0.2-0.3 or 0.33; a workshop manual (opened): 3100 of 4000 rpm engaged, and shaft speed at idle, however cold.
# ASSUMED, 0.6 to 0.9 and 0.15 to 0.35.
CLUTCH_HOT, CLUTCH_COLD = 0.8, 0.2
# A grade in great heat, on which a car's clutch temperatures are stated: 100 degF at 300 m, 45 mph.
_GRADE_K, _GRADE_KG_PER_M3, _GRADE_M_PER_S = 310.93, 1.09, 20.1
_CLUTCH_RANGE_K = 2.0  # least range of engagement in coolant: keeps it continuous
_COOLANT_EXPONENT = 0.8  # Dittus-Boelter: Nu ~ Re^0.8, turbulent tubes; Incropera eq. 8.60


def crossflow_effectiveness(ntu: FloatArray, capacity_ratio: FloatArray) -> FloatArray:
    """Effectiveness of a cross-flow exchanger, both fluids unmixed: heat passed over the most that could be. [-]

    `ntu` is UA / C_min, `capacity_ratio` is C_min / C_max, 0 to 1. [-]

    Incropera, Fundamentals of Heat and Mass Transfer, eq. 11.32; within 1.7 % of the exact series from NTU 1 on, up to
    3.8 % low below (NTU 0.3, equal capacities). At a capacity ratio of zero it is 1 - exp(-NTU).

    >>> round(float(crossflow_effectiveness(1.0, 0.5)), 6)
    0.544764
    """
    ratio = np.maximum(capacity_ratio, 1e-9)
    ntu = np.asarray(ntu)
    inner = np.expm1(-ratio * ntu**0.78)
    return -np.expm1(ntu**0.22 / ratio * inner)


def radiator_ua_w_per_k(cooling: Cooling, *, air_kg_per_s: FloatArray, coolant_kg_per_s: FloatArray) -> FloatArray:
    """Overall conductance UA of the radiator at mass flows > 0; its data are for 1 kg/s of air and 1.5 kg/s of coolant.

    Two resistances in series, 1/UA = R_a (m_a/m_a0)^-n + R_w (m_w/m_w0)^-0.8. n = 0.5 to 0.7 for louvred fins and the
    air side's share 0.6 to 0.85: common practice, no source.
    """
    air_side = cooling.air_side_share * (air_kg_per_s / REFERENCE_AIR_KG_PER_S) ** -cooling.air_exponent
    water_side = (1.0 - cooling.air_side_share) * (coolant_kg_per_s / REFERENCE_COOLANT_KG_PER_S) ** -_COOLANT_EXPONENT
    return cooling.radiator_w_per_k * cooling.core_share / (air_side + water_side)


def radiator_w_per_k(
    cooling: Cooling, *, air_kg_per_s: FloatArray, coolant_kg_per_s: FloatArray, coolant_cp_j_per_kgk: float
) -> FloatArray:
    """Heat given by the radiator per kelvin between coolant inlet and air inlet: effectiveness times C_min."""
    air = np.maximum(air_kg_per_s, 1e-6)
    coolant = np.maximum(coolant_kg_per_s, 1e-6)
    c_air, c_coolant = air * CP_AIR_J_PER_KGK, coolant * coolant_cp_j_per_kgk
    c_min, c_max = np.minimum(c_air, c_coolant), np.maximum(c_air, c_coolant)
    ua = radiator_ua_w_per_k(cooling, air_kg_per_s=air, coolant_kg_per_s=coolant)
    return crossflow_effectiveness(ua / c_min, c_min / c_max) * c_min


def radiator_map(
    cooling: Cooling, *, air_kg_per_s: FloatArray, coolant_kg_per_s: FloatArray, coolant_cp_j_per_kgk: float
) -> FloatArray:
    """Radiator conductance over a grid of flows, shape (n_air, n_coolant), as the kernel reads it."""
    air, coolant = np.meshgrid(air_kg_per_s, coolant_kg_per_s, indexing="ij")
    return radiator_w_per_k(
        cooling, air_kg_per_s=air, coolant_kg_per_s=coolant, coolant_cp_j_per_kgk=coolant_cp_j_per_kgk
    )


def ram_kg_per_s(cooling: Cooling, *, airspeed_m_per_s: FloatArray, density_kg_per_m3: FloatArray) -> FloatArray:
    """Air pushed through the radiator by the car's motion, >= 0; `airspeed_m_per_s` is road speed plus headwind."""
    face = cooling.face_area_m2 * cooling.ram_ratio * cooling.air_share
    return density_kg_per_m3 * face * np.maximum(airspeed_m_per_s, 0.0)


def surface_scale(airspeed_m_per_s: FloatArray, density_kg_per_m3: FloatArray) -> FloatArray:
    """Forced convection of a bare surface relative to 100 km/h at sea level, 0 at rest. [-]

    Turbulent boundary layer Nu ~ Re^0.8 (Incropera eq. 7.38), so h ~ (rho v)^0.8.

    >>> float(surface_scale(100 / 3.6, 1.225))
    1.0
    """
    relative = np.maximum(airspeed_m_per_s, 0.0) * 3.6 / 100.0 * density_kg_per_m3 / 1.225
    return relative**0.8


def clutch_slip(engine_share: FloatArray, at_reference: float) -> FloatArray:
    """Fan speed over shaft speed of a viscous clutch, 0 to 1. [-]

    `engine_share` is engine speed over 3000 rpm, `at_reference` the result there. [-]

    The clutch passes a torque proportional to its slip, the fan asks for one proportional to its speed squared:
    n x^2 = k (1 - x). A clutch that slips at 3000 rpm slips little at idle, where its fan is nearly as if bolted on.

    >>> [round(float(clutch_slip(n, 0.8)), 2) for n in (0.2, 1.0, 1.5)]
    [0.94, 0.8, 0.74]
    """
    passed = at_reference**2 / (1.0 - at_reference) / np.maximum(engine_share, 1e-3)
    return np.asarray(0.5 * (np.sqrt(passed**2 + 4.0 * passed) - passed))


class Front(NamedTuple):
    """What passes the radiator, per segment, each shape (n_segment,)."""

    ram_kg_per_s: FloatArray
    fan_kg_per_s: FloatArray  # the fan at its fullest
    grille_k: FloatArray  # air into the condenser
    condenser_w: FloatArray
    recirculated: FloatArray
    coolant_kg_per_s: FloatArray  # thermostat open


def clutch_air_k(cooling: Cooling) -> tuple[float, float]:
    """Air behind the radiator at which a viscous clutch begins to engage, and at which it has. [K]

    From the car's `fan_off` and `fan_on`, coolant temperatures on a grade in great heat, thermostat open.
    """
    grade = Front(
        np.asarray(_GRADE_KG_PER_M3 * cooling.face_area_m2 * cooling.ram_ratio * cooling.air_share * _GRADE_M_PER_S),
        np.asarray(_GRADE_KG_PER_M3 * cooling.fan_flow_m3_per_s * cooling.air_share),
        np.asarray(_GRADE_K),
        np.asarray(cooling.condenser_heat_w),
        np.asarray(0.0),
        np.asarray(cooling.pump_flow_kg_per_s),
    )
    cold, warmed = _behind(cooling, grade, np.asarray(CLUTCH_COLD / CLUTCH_HOT))
    hot, warmed_hot = _behind(cooling, grade, np.asarray(1.0))
    return float(cold + warmed * (cooling.fan_off_k - cold)), float(hot + warmed_hot * (cooling.fan_on_k - hot))


def clutch_temps_k(cooling: Cooling, front: Front, least: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Coolant at which a viscous clutch begins to engage and at which it has, shape (n_segment,) each. [K]

    Its spring feels the air behind the radiator (`clutch_air_k`). In slow air the radiator warms that nearly to the
    coolant, and a condenser before it: the clutch then engages at a cooler coolant. The thermostat counts as open.
    `least` is the cold clutch's share of the fan's air. [-]
    """
    begins_k, engaged_k = clutch_air_k(cooling)
    cold, warmed = _behind(cooling, front, least)
    hot, warmed_hot = _behind(cooling, front, np.ones_like(least))
    begins = cold + (begins_k - cold) / warmed
    return begins, np.maximum(hot + (engaged_k - hot) / warmed_hot, begins + _CLUTCH_RANGE_K)


def _behind(cooling: Cooling, front: Front, share: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Air into the radiator [K]; above it, the air behind the radiator over the coolant, thermostat open [-]."""
    air = np.hypot(front.ram_kg_per_s, share * front.fan_kg_per_s)
    rise = 1.0 / (air * CP_AIR_J_PER_KGK + 20.0)
    given = radiator_w_per_k(
        cooling,
        air_kg_per_s=air,
        coolant_kg_per_s=front.coolant_kg_per_s,
        coolant_cp_j_per_kgk=heat_capacity_j_per_kgk(cooling.glycol_share, cooling.glycol),
    )
    given = given / (1.0 + front.recirculated * given * rise)
    return front.grille_k + front.condenser_w * rise, (1.0 + front.recirculated) * given * rise
