"""Sources of the spread of a margin: the shares of the car's unknowns, the day's air and the model's error."""

from typing import NamedTuple

import numpy as np

from planner.forecast.run import Forecast
from thermal.fluids import FACTORS, fluid_of

AIR = "the day's air"
REST = "the model's own error"


class Share(NamedTuple):
    """One source of spread and its share of the variance."""

    words: str
    share: float


def spread_shares(outlook: Forecast, leg: int, fluid: str) -> tuple[Share, ...]:
    """Split the variance of one margin among its sources, the largest first.

    Least squares of the drawn margins on the logarithms of the factors and the air of the day; the share of a source is
    the covariance of its part with the margin, over the margin's variance (they add up to R squared). The rest is the
    model's own error and the interaction of sources.
    """
    n = len(outlook.shift_k)
    margin = outlook.spread.margin_k[:n, leg, fluid_of(fluid).index]
    day = next(i for i, day in enumerate(outlook.timeline.days) if day.first <= leg <= day.last)
    columns = [np.log(column) for column in outlook.factors] + [outlook.shift_k[:, day]]
    sources = np.column_stack(columns)
    sources = sources - sources.mean(axis=0)
    apart = margin - margin.mean()
    variance = float(apart @ apart)
    if variance == 0.0:
        return ()
    slopes = np.linalg.lstsq(sources, apart, rcond=None)[0]
    shares = (sources * slopes).T @ apart / variance
    names = [*(factor.words.partition(",")[0] for factor in FACTORS.values()), AIR]
    found = [Share(words=words, share=float(share)) for words, share in zip(names, shares, strict=True)]
    found.append(Share(words=REST, share=1.0 - float(shares.sum())))
    return tuple(sorted(found, key=lambda one: -one.share))
