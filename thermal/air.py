"""Air along the road: standard-atmosphere pressure, moisture, density.

All functions take floats or arrays and return the same.
"""

import numpy as np

from thermal.ranges import FloatArray

R_DRY_J_PER_KGK = 287.05287  # U.S. Standard Atmosphere 1976, table 2 (R*/M0)
R_VAPOUR_J_PER_KGK = 461.495  # water vapour, R*/18.016 kg/kmol
CP_AIR_J_PER_KGK = 1006.0  # Incropera, Fundamentals of Heat and Mass Transfer, table A.4, 300-350 K: 1007-1009
_EARTH_RADIUS_M = 6_356_766.0  # U.S. Standard Atmosphere 1976, eq. 18
_EXPONENT = 5.255880  # g0/(L R), U.S. Standard Atmosphere 1976, eq. 33a


def pressure_pa(elevation_m: FloatArray) -> FloatArray:
    """Absolute air pressure of the standard atmosphere at a geometric height below 11 km.

    U.S. Standard Atmosphere 1976, eq. 33a, troposphere. Weather moves the true value by +-2 %.

    >>> round(pressure_pa(0.0), 1), round(pressure_pa(1500.0), 0)
    (101325.0, 84560.0)
    """
    geopotential_m = _EARTH_RADIUS_M * elevation_m / (_EARTH_RADIUS_M + elevation_m)
    return 101_325.0 * (1.0 - 0.0065 * geopotential_m / 288.15) ** _EXPONENT


def vapour_pressure_pa(dew_point_k: FloatArray) -> FloatArray:
    """Partial pressure of water vapour in air of a given dew point, -40 to 50 degC.

    Magnus form, constants of Alduchov & Eskridge, J. Appl. Meteorol. 35 (1996), eq. 21; within 0.4 % in its range.
    Not for boiling: use `thermal.coolant`.

    >>> round(float(vapour_pressure_pa(293.15)), 0)
    2333.0
    """
    dew_c = np.asarray(dew_point_k) - 273.15
    return 610.94 * np.exp(17.625 * dew_c / (dew_c + 243.04))


def density_kg_per_m3(temp_k: FloatArray, total_pa: FloatArray, vapour_pa: FloatArray) -> FloatArray:
    """Density of moist air as a mixture of ideal gases; `vapour_pa` is part of `total_pa`.

    >>> round(density_kg_per_m3(288.15, 101325.0, 0.0), 4)
    1.225
    """
    return (total_pa - vapour_pa) / (R_DRY_J_PER_KGK * temp_k) + vapour_pa / (R_VAPOUR_J_PER_KGK * temp_k)
