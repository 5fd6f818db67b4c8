"""What is kept of a cause while a log is judged: its evidence, at one moment and over all."""

from typing import NamedTuple

import numpy as np

from thermal.ranges import FloatArray


class Best(NamedTuple):
    """Evidence of one cause: logarithm, its best value, moment and model, and what is left. [-, any, s, K, K]

    `serious` is that of a fault worth knowing of, there from the start.
    """

    score: float
    value: float
    onset_s: float | None
    model_k: FloatArray
    left_k: FloatArray
    serious: float = -np.inf


class Try(NamedTuple):
    """Evidence of one cause at one moment, with which of its values is the best; else as `Best`."""

    score: float
    at: int
    onset_s: float | None
    model_k: FloatArray
    left_k: FloatArray
    weight: float
    serious: float


class Weighed(NamedTuple):
    """Slopes under one weighing, the inverse of their normal matrix, and half the logarithm of both volumes."""

    slopes: FloatArray
    inverse: FloatArray
    half_log_volume: float
