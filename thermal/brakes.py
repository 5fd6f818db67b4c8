"""Heat into the front brake rotors, and one rotor's cooling."""

from thermal.ranges import FloatArray

FRONT_SHARE = 0.7  # ASSUMED: 0.6 to 0.75 of braking energy at the front, common practice, no source


def rotor_heat_w(brake_power_w: FloatArray) -> FloatArray:
    """Heat into both front rotors for a braking power at the wheels, >= 0: what drag, rolling and engine do not take.

    The share into pads is neglected (a few per cent), which is on the safe side.

    >>> rotor_heat_w(10_000.0)
    7000.0
    """
    return FRONT_SHARE * brake_power_w
