"""Heat into the front brake rotors, and one rotor's cooling."""

from thermal.ranges import FloatArray

FRONT_SHARE = 0.7  # ASSUMED: 0.6 to 0.75 of braking energy at the front, common practice, no source


def rotor_heat_w(brake_power_w: FloatArray) -> FloatArray:
    """Heat into both front rotors for a braking power at the wheels.

    Parameters
    ----------
    brake_power_w : float or ndarray
        What drag, rolling and the engine did not take, >= 0. [W]

    Returns
    -------
    float or ndarray
        Heat into the front rotors. [W]

    Notes
    -----
    The share into pads is neglected (a few per cent), which is on the safe side.

    Examples
    --------
    >>> rotor_heat_w(10_000.0)
    7000.0
    """
    return FRONT_SHARE * brake_power_w


def stop_rise_k(*, mass_kg: float, speed_m_per_s: float, rotor_capacity_j_per_k: float, mass_factor: float) -> float:
    """Temperature rise of the front rotors in one stop from a speed.

    Parameters
    ----------
    mass_kg : float
        Mass stopped. [kg]
    speed_m_per_s : float
        Speed at the start of braking. [m/s]
    rotor_capacity_j_per_k : float
        Heat capacity of the two front rotors. [J/K]
    mass_factor : float
        Effective over true mass for rotating parts. [-]

    Returns
    -------
    float
        Rise. [K]

    Notes
    -----
    All kinetic energy into the rotors, none lost during the stop: Limpert, Brake Design and Safety (from memory).

    Examples
    --------
    >>> round(stop_rise_k(mass_kg=1600.0, speed_m_per_s=100 / 3.6, rotor_capacity_j_per_k=6440.0, mass_factor=1.05), 1)
    70.4
    """
    return FRONT_SHARE * mass_factor * 0.5 * mass_kg * speed_m_per_s**2 / rotor_capacity_j_per_k
