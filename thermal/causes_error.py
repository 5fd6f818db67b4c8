"""How far the model may be off at every reading of a log that is judged: its level, and how early or late it warms.

Warm-ups are known worst: heat that is a quarter too small makes a slow warm-up many minutes late, a fast one seconds.
Where the model is warm already and the car is not, a rate of the model's says nothing of that.
"""

import numpy as np
import numpy.typing as npt

from thermal.discrepancy import Discrepancy, conditions_of, scale_k
from thermal.drive import Drive
from thermal.fluids import FLUID_KEYS, FLUID_NODES, N_BODY
from thermal.ranges import FloatArray
from thermal.vehicle import Vehicle

# ASSUMED, 0.2 to 0.4: how much faster or slower a car warms than a model that is known from one log, as a share of the
# time it takes; as long again may pass until both are warm. Warm is nine tenths of the way to its median.
_PACE, _WARM = 0.33, 0.9


def error_at(
    known: Discrepancy,
    vehicle: Vehicle,
    drive: Drive,
    rows: npt.NDArray[np.int64],
    time_s: FloatArray,
    plain_k: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Size of the model's error at every reading, shape (n, 6) [K], and how long it lasts, by body [s].

    `known` is the error of this car's model, `rows`, shape (n,), the segment of every reading, `plain_k`, shape (n, 6),
    what the car as known should read.
    """
    sd, lasting = np.full((len(time_s), N_BODY), 3.0), np.full(N_BODY, 1800.0)
    level = scale_k(known, conditions_of(known, drive, vehicle), rows, plain_k[:, FLUID_NODES])
    for f, (key, node) in enumerate(zip(FLUID_KEYS, FLUID_NODES, strict=True)):
        late = late_k(time_s, plain_k[:, node], known.of(key).timing_s)
        sd[:, node] = np.hypot(level[:, f], late)
        lasting[node] = known.of(key).lasting_s
    return sd, lasting


def late_k(time_s: FloatArray, temp_k: FloatArray, timing_s: float) -> FloatArray:
    """Error of a temperature that is early or late: in its warm-up by a share of the time, later by `timing_s`.

    >>> minutes = 60.0 * np.arange(7)
    >>> np.round(late_k(minutes, np.array([290.0, 310.0, 330.0, 350.0, 360.0, 360.0, 360.0]), 60.0), 1)
    array([ 0. ,  6.6, 13.2, 15.7,  7. ,  0. ,  0. ])
    """
    goal = temp_k[0] + _WARM * (float(np.median(temp_k)) - temp_k[0])
    warm_s = float(time_s[int(np.argmax(temp_k >= goal))])
    shift_s = np.where(time_s < warm_s * (1.0 + 2.0 * _PACE), _PACE * np.minimum(time_s, warm_s), timing_s)
    early, late = (np.interp(time_s + sign * shift_s, time_s, temp_k) - temp_k for sign in (1.0, -1.0))
    return np.asarray(np.sqrt(0.5 * (early**2 + late**2)))
