"""Heat rejected: radiator, coolers, thermostats, bare surfaces in moving air."""

import numpy as np

from thermal.air import CP_AIR_J_PER_KGK
from thermal.ranges import FloatArray
from thermal.vehicle import Cooling

STEFAN_BOLTZMANN_W_PER_M2K4 = 5.670374419e-8  # CODATA 2018
REFERENCE_AIR_KG_PER_S = 1.0
REFERENCE_COOLANT_KG_PER_S = 1.5
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
