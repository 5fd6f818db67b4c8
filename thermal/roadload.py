"""The force that moves a car and its trailer along the road."""

import numpy as np

from thermal.ranges import FloatArray

G_M_PER_S2 = 9.80665  # standard gravity, ISO 80000-3


def rolling_n(mass_kg: float, coefficient: float, grade: FloatArray) -> FloatArray:
    """Rolling resistance against the motion; `coefficient` is that of rolling, `grade` rise over horizontal run. [-]

    >>> round(float(rolling_n(1500.0, 0.012, 0.0)), 1)
    176.5
    """
    return mass_kg * G_M_PER_S2 * coefficient / np.sqrt(1.0 + grade**2)


def climbing_n(mass_kg: float, grade: FloatArray) -> FloatArray:
    """Component of the weight along the road, positive uphill; `grade` is rise over horizontal run. [-]

    >>> round(float(climbing_n(1500.0, 0.06)), 2)
    881.01
    """
    return mass_kg * G_M_PER_S2 * grade / np.sqrt(1.0 + grade**2)


def drag_n(
    *, density_kg_per_m3: FloatArray, drag_area_m2: float, speed_m_per_s: FloatArray, headwind_m_per_s: FloatArray
) -> FloatArray:
    """Aerodynamic drag against the motion; a following wind, negative, stronger than the car's speed pushes.

    >>> drag = drag_n(density_kg_per_m3=1.2, drag_area_m2=0.75, speed_m_per_s=100 / 3.6, headwind_m_per_s=0.0)
    >>> round(float(drag), 2)
    347.22
    """
    relative = speed_m_per_s + headwind_m_per_s
    return 0.5 * density_kg_per_m3 * drag_area_m2 * relative * np.abs(relative)


def rotational_factor(overall_ratio: FloatArray) -> FloatArray:
    """Effective over true mass, > 1, for the inertia of wheels and engine.

    `overall_ratio` is gear ratio times final drive. [-]

    1 + 0.04 + 0.0025 N^2: Gillespie, Fundamentals of Vehicle Dynamics, ch. 2 (from memory).

    >>> round(rotational_factor(4.0), 3)
    1.08
    """
    return 1.04 + 0.0025 * overall_ratio**2
