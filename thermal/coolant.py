"""Coolant: glycol and water, its boiling point under a pressure cap, its heat capacity."""

import numpy as np

from thermal.errors import ParameterError
from thermal.ranges import FloatArray, require_range

# IAPWS Industrial Formulation 1997, release of 2007, table 34 (saturation line, region 4).
_N = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849e0,
    0.65017534844798e3,
)
_WATER_G_PER_MOL = 18.015
_WATER_KG_PER_M3 = 998.2  # 20 degC
# Molar mass [g/mol] and density at 20 degC [kg/m3]; CRC Handbook of Chemistry and Physics (from memory)
_GLYCOLS = {"ethylene": (62.068, 1113.5), "propylene": (76.094, 1036.1)}


def saturation_k(pressure_pa: FloatArray) -> FloatArray:
    """Boiling temperature of pure water at an absolute pressure, 611 Pa to 22 MPa.

    IAPWS-IF97 region 4 backward equation (31), exact inverse of its vapour-pressure equation.

    >>> round(float(saturation_k(1.0e6)), 6)
    453.035632
    """
    beta = (np.asarray(pressure_pa) / 1.0e6) ** 0.25
    e = beta**2 + _N[2] * beta + _N[5]
    f = _N[0] * beta**2 + _N[3] * beta + _N[6]
    g = _N[1] * beta**2 + _N[4] * beta + _N[7]
    d = 2.0 * g / (-f - np.sqrt(f**2 - 4.0 * e * g))
    return 0.5 * (_N[9] + d - np.sqrt((_N[9] + d) ** 2 - 4.0 * (_N[8] + _N[9] * d)))


def glycol_mass_share(volume_share: float, glycol: str) -> float:
    """Mass share of glycol in a mixture labelled by volume.

    `volume_share` is the volume of glycol over the sum of both volumes before mixing, 0 to 0.7, else `RangeError`; an
    unknown glycol raises `ParameterError`. [-]

    >>> round(glycol_mass_share(0.5, "ethylene"), 3)
    0.527
    """
    require_range(volume_share, 0.0, 0.7, "glycol volume share [-]")
    if glycol not in _GLYCOLS:
        message = f"glycol {glycol!r} is unknown; allowed is 'ethylene' or 'propylene'"
        raise ParameterError(message)
    mass = volume_share * _GLYCOLS[glycol][1]
    return mass / (mass + (1.0 - volume_share) * _WATER_KG_PER_M3)


def water_mole_fraction(volume_share: float, glycol: str) -> float:
    """Moles of water over all moles in a glycol mixture; `volume_share` as for `glycol_mass_share`. [-]

    >>> round(water_mole_fraction(0.5, "ethylene"), 3)
    0.755
    """
    mass = glycol_mass_share(volume_share, glycol)
    water = (1.0 - mass) / _WATER_G_PER_MOL
    return water / (water + mass / _GLYCOLS[glycol][0])


def boiling_k(pressure_pa: FloatArray, volume_share: float, glycol: str) -> FloatArray:
    """Temperature at which coolant begins to boil at an absolute pressure, air plus cap.

    `volume_share` is that of glycol, 0 to 0.7. [-]

    Raoult's law for the water, the glycol's own vapour neglected: x_w p_sat(T) = p. Right to about 0.7 K at 50 %
    against the 108 degC printed on antifreeze; 1-3 K optimistic above 60 % (from memory of handbook curves).

    >>> round(float(boiling_k(101325.0, 0.5, "ethylene")) - 273.15, 1)
    108.0
    """
    return saturation_k(np.asarray(pressure_pa) / water_mole_fraction(volume_share, glycol))


def heat_capacity_j_per_kgk(volume_share: float, glycol: str) -> float:
    """Specific heat of hot coolant (90 degC), used over the whole working range; `volume_share` is 0 to 0.7. [-]

    Linear in mass share between water (4205, IAPWS) and 50 mass % at 90 degC (3616 ethylene, 3798 propylene: Melinder's
    data as carried by CoolProp's incompressible fluids). Within 2 % for 0-60 mass %.

    >>> round(heat_capacity_j_per_kgk(0.5, "ethylene"), -1)
    3580.0
    """
    at_half = {"ethylene": 3616.0, "propylene": 3798.0}
    mass = glycol_mass_share(volume_share, glycol)
    return 4205.0 + (at_half[glycol] - 4205.0) * mass / 0.5
