"""What the judgement of a log keeps of each cause: its evidence, at one moment and over all."""

from typing import NamedTuple

import numpy as np

from thermal.ranges import FloatArray


class Best(NamedTuple):
    """Evidence of one cause, and how it explains the log best."""

    score: float  # logarithm of its probability
    value: float  # best value of the cause
    onset_s: float | None  # when it then began; None from the start
    model_k: FloatArray  # what the model then gives
    left_k: FloatArray  # what is then left, model less reading
    serious: float = -np.inf  # score of a fault worth knowing of, there from the start


class Try(NamedTuple):
    """Evidence of one cause at one moment; `at` is the place of its best value, the rest as in `Best`."""

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
