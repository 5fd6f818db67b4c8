"""The force that moves a car and its trailer along the road."""

import numpy as np

from thermal.ranges import FloatArray

G_M_PER_S2 = 9.80665  # standard gravity, ISO 80000-3


def rolling_n(mass_kg: float, coefficient: float, grade: FloatArray) -> FloatArray:
    """Rolling resistance.

    Parameters
    ----------
    mass_kg : float
        Mass on the tyres. [kg]
    coefficient : float
        Rolling coefficient. [-]
    grade : float or ndarray
        Rise over horizontal run. [-]

    Returns
    -------
    float or ndarray
        Force against the motion. [N]

    Examples
    --------
    >>> round(float(rolling_n(1500.0, 0.012, 0.0)), 1)
    176.5
    """
    return mass_kg * G_M_PER_S2 * coefficient / np.sqrt(1.0 + grade**2)


def climbing_n(mass_kg: float, grade: FloatArray) -> FloatArray:
    """Component of the weight along the road, positive uphill.

    Parameters
    ----------
    mass_kg : float
        Mass moved. [kg]
    grade : float or ndarray
        Rise over horizontal run. [-]

    Returns
    -------
    float or ndarray
        Force. [N]

    Examples
    --------
    >>> round(float(climbing_n(1500.0, 0.06)), 2)
    881.01
    """
    return mass_kg * G_M_PER_S2 * grade / np.sqrt(1.0 + grade**2)


def drag_n(
    *, density_kg_per_m3: FloatArray, drag_area_m2: float, speed_m_per_s: FloatArray, headwind_m_per_s: FloatArray
) -> FloatArray:
    """Aerodynamic drag; a following wind stronger than the car's speed pushes.

    Parameters
    ----------
    density_kg_per_m3 : float or ndarray
        Air density. [kg/m3]
    drag_area_m2 : float
        Drag coefficient times frontal area. [m2]
    speed_m_per_s : float or ndarray
        Road speed. [m/s]
    headwind_m_per_s : float or ndarray
        Wind against the motion, negative for a following wind. [m/s]

    Returns
    -------
    float or ndarray
        Force against the motion. [N]

    Examples
    --------
    >>> drag = drag_n(density_kg_per_m3=1.2, drag_area_m2=0.75, speed_m_per_s=100 / 3.6, headwind_m_per_s=0.0)
    >>> round(float(drag), 2)
    347.22
    """
    relative = speed_m_per_s + headwind_m_per_s
    return 0.5 * density_kg_per_m3 * drag_area_m2 * relative * np.abs(relative)


def rotational_factor(overall_ratio: FloatArray) -> FloatArray:
    """Mass factor for the inertia of wheels and engine.

    Parameters
    ----------
    overall_ratio : float or ndarray
        Gear ratio times final drive. [-]

    Returns
    -------
    float or ndarray
        Effective over true mass, > 1. [-]

    Notes
    -----
    1 + 0.04 + 0.0025 N^2: Gillespie, Fundamentals of Vehicle Dynamics, ch. 2 (from memory).

    Examples
    --------
    >>> round(rotational_factor(4.0), 3)
    1.08
    """
    return 1.04 + 0.0025 * overall_ratio**2
