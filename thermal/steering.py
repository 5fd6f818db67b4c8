"""Heat a hydraulic power steering's pump puts into its fluid: its shaft power, but for the little that steers."""

import numpy as np

from thermal.driveline import REFERENCE_RAD_PER_S
from thermal.ranges import FloatArray
from thermal.vehicle import Steering

# Share of the time at relief pressure that does as much as the driver's steering, as a function of road speed: the
# effort falls with speed, and a slow road is a winding one. ASSUMED, as a drive knows no bends: 0.15 to 0.5 creeping,
# half of it at 4 to 10 m/s.
_CREEPING_SHARE, _HALF_M_PER_S = 0.3, 6.0


def pump_spin_w(steering: Steering, engine_rad_per_s: FloatArray) -> FloatArray:
    """Loss of the pump with the wheels straight and fluid at 80 degC; its belt follows the engine.

    ~ speed: a displacement pump's flow against the nearly constant pressure of the open centre and the flow-control
    valve; ASSUMED exponent, 1 to 1.5.
    """
    return steering.spin_loss_w * np.asarray(engine_rad_per_s) / REFERENCE_RAD_PER_S


def steering_work_w(steering: Steering, speed_m_per_s: FloatArray) -> FloatArray:
    """Mean power through the relief and steering valves because the driver steers.

    30 % of the power at relief creeping and parking, 10 % on switchbacks, 1 % on a motorway.
    """
    return steering.relief_power_w * _CREEPING_SHARE / (1.0 + (np.asarray(speed_m_per_s) / _HALF_M_PER_S) ** 2)
