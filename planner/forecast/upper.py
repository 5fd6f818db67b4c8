"""The upper temperature along the way, so drawn that it comes as near the limit on a leg as the leg's margin says.

Each moment has its own quantile. The margin of a leg is smaller than those quantiles leave, since a limit may be passed
at any of its moments; and larger where a temperature may only be reached sooner than expected, which raises no peak. So
the quantiles are widened about what is expected, or held back, until both agree: one figure, wherever it is shown.
"""

import numpy as np
import numpy.typing as npt

from thermal.fluids import FLUID_NODES

Floats = npt.NDArray[np.float64]


def along_legs(
    moment_k: Floats, expected_k: Floats, *, limit_k: Floats, group: npt.NDArray[np.int64], margin_k: Floats
) -> Floats:
    """Widen the quantiles of moments until each leg keeps its margin, and no more.

    Notes
    -----
    Rows are segments: quantiles of moments and what is expected by body, limits by fluid, the leg of each; margins at
    the same confidence are by leg and fluid. The result is never below what is expected. [K]
    """
    upper = np.maximum(moment_k, expected_k)
    legs = group.astype(np.int64)
    for fluid, node in enumerate(FLUID_NODES):
        over = upper[:, node] - expected_k[:, node]
        room = limit_k[:, fluid] - expected_k[:, node] - margin_k[legs, fluid]
        with np.errstate(divide="ignore", invalid="ignore"):
            each = np.where(over > 1e-6, room / over, np.inf)
        widen = np.full(len(margin_k), np.inf)
        np.minimum.at(widen, legs, each)
        factor = np.where(np.isfinite(widen), np.maximum(widen, 1.0), 1.0)[legs]
        nearest = limit_k[:, fluid] - margin_k[legs, fluid]
        upper[:, node] = expected_k[:, node] + np.minimum(factor * over, np.maximum(nearest - expected_k[:, node], 0.0))
    return upper
