"""The upper temperature along the route, made consistent with the margin of each leg.

Each time has its own quantile. The margin of a leg is smaller than these suggest, since a limit may be passed
at any time; and larger where a temperature is only reached sooner than expected, without a higher peak. So
the quantiles are scaled about the expected value until both agree.
"""

import numpy as np
import numpy.typing as npt

from thermal.fluids import FLUID_NODES

Floats = npt.NDArray[np.float64]


def along_legs(
    moment_k: Floats, expected_k: Floats, *, limit_k: Floats, group: npt.NDArray[np.int64], margin_k: Floats
) -> Floats:
    """Scale the quantiles until each leg has exactly its margin; never below what is expected. [K].

    Rows are segments: quantiles and expected values are by body, limits by fluid, `group` is the leg. Margins at the
    same confidence are by leg and fluid.
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
