"""Scrambled Sobol points, the same as scipy.stats.qmc gives, without loading scipy.stats, which takes 0.4 s.

Direction numbers are those of Joe and Kuo (Constructing Sobol sequences with better two-dimensional projections, SIAM
J. Sci. Comput. 30, 2008), read from the table that scipy ships; the scrambling is Matousek's linear one with a shift
(On the L2-discrepancy for anchored boxes, J. Complexity 14, 1998).
"""

import functools
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from thermal.ranges import FloatArray

_BITS = 30
_SAFE = 1e-6  # the inverse normal is taken no further out than this
_Bits = npt.NDArray[np.uint32]
# Normal quantile: M. J. Wichura, algorithm AS 241 (PPND16), Applied Statistics 37 (1988) 477-484, as in Python's
# `statistics`: numerator and denominator, highest power first; in the middle, and in the tails down to e^-25.
_MIDDLE = (
    (
        *(2509.0809287301226727, 33430.575583588128105, 67265.770927008700853, 45921.953931549871457),
        *(13731.693765509461125, 1971.5909503065514427, 133.14166789178437745, 3.3871328727963666080),
    ),
    (
        *(5226.4952788528545610, 28729.085735721942674, 39307.895800092710610, 21213.794301586595867),
        *(5394.1960214247511077, 687.18700749205790830, 42.313330701600911252, 1.0),
    ),
)
_TAIL = (
    (
        *(7.7454501427834140764e-4, 0.0227238449892691845833, 0.241780725177450611770, 1.27045825245236838258),
        *(3.64784832476320460504, 5.76949722146069140550, 4.63033784615654529590, 1.42343711074968357734),
    ),
    (
        *(1.05075007164441684324e-9, 5.475938084995344946e-4, 0.0151986665636164571966, 0.148103976427480074590),
        *(0.689767334985100004550, 1.67638483018380384940, 2.05319162663775882187, 1.0),
    ),
)


def sobol(n_point: int, n_dimension: int, seed: int | tuple[int, ...]) -> FloatArray:
    """First `n_point` points of a scrambled Sobol sequence in [0, 1), shape (n_point, n_dimension).

    A power of two keeps the points balanced; `n_dimension` is the number of coordinates, `seed` that of the scrambling.

    >>> points = sobol(8, 2, seed=1)
    >>> np.sort((points[:, 0] * 8).astype(int))  # one in every eighth
    array([0, 1, 2, 3, 4, 5, 6, 7])
    """
    vectors = _vectors(n_dimension)
    rng = np.random.default_rng(seed)
    if vectors is None:
        return _by_scipy(n_point, n_dimension, rng)
    rng = rng.spawn(1)[0]  # as scipy does
    powers = 2 ** np.arange(_BITS, dtype=np.uint32)
    shift = np.dot(rng.integers(2, size=(n_dimension, _BITS), dtype=np.uint32), powers)
    lower = np.tril(rng.integers(2, size=(n_dimension, _BITS, _BITS), dtype=np.uint32))
    lower[:, np.arange(_BITS), np.arange(_BITS)] = 1
    bits = (vectors[:, :, None] >> np.arange(_BITS - 1, -1, -1, dtype=np.uint32)) & 1
    mixed = np.matmul(bits.astype(np.float64), lower.transpose(0, 2, 1).astype(np.float64)).astype(np.uint32) & 1
    scrambled = np.dot(mixed, powers[::-1])
    index = np.arange(n_point, dtype=np.uint32)
    gray = index ^ (index >> 1)
    points = np.broadcast_to(shift, (n_point, n_dimension)).copy()
    for bit in range(int(n_point).bit_length()):
        points ^= np.where(((gray >> bit) & 1)[:, None] > 0, scrambled[:, bit], 0).astype(np.uint32)
    return np.asarray(points * (1.0 / 2**_BITS), dtype=np.float64)


def normal(n_point: int, n_dimension: int, seed: int | tuple[int, ...]) -> FloatArray:
    """The same points with standard normal coordinates, cut at 4.75 standard deviations.

    `n_point`, `n_dimension` and `seed` as for `sobol`.
    """
    return _quantile(np.clip(sobol(n_point, n_dimension, seed), _SAFE, 1.0 - _SAFE))


def _quantile(share: FloatArray) -> FloatArray:
    """Standard normal quantiles, without loading scipy.special, which takes 0.2 s."""
    off = share - 0.5
    out = _ratio(_MIDDLE, 0.180625 - off * off) * off
    far = np.abs(off) > 0.425
    tail = np.minimum(share[far], 1.0 - share[far])
    out[far] = np.copysign(_ratio(_TAIL, np.sqrt(-np.log(tail)) - 1.6), off[far])
    return out


def _ratio(polynomials: tuple[tuple[float, ...], tuple[float, ...]], x: FloatArray) -> FloatArray:
    above, below = (functools.reduce(lambda total, part: total * x + part, one, 0.0 * x) for one in polynomials)
    return above / below


def _by_scipy(n_point: int, n_dimension: int, rng: np.random.Generator) -> FloatArray:
    """Use scipy itself if its table is not found."""
    from scipy.stats import qmc

    sampler: Any = qmc.Sobol(n_dimension, scramble=True, rng=rng)
    return np.asarray(sampler.random(n_point))


@functools.lru_cache(maxsize=8)
def _vectors(n_dimension: int) -> _Bits | None:
    """Direction vectors, shape (n_dimension, 30), before scrambling; None without scipy's table."""
    package = find_spec("scipy")
    places = list(package.submodule_search_locations or ()) if package else []
    files = [file for place in places if (file := Path(place) / "stats" / "_sobol_direction_numbers.npz").is_file()]
    try:
        with np.load(files[0]) as table:
            polynomials, first = table["poly"][:n_dimension].tolist(), table["vinit"][:n_dimension].tolist()
    except (IndexError, KeyError, OSError, ValueError):
        return None
    rows = [[1] * _BITS]
    for polynomial, begin in zip(polynomials[1:], first[1:], strict=True):
        degree = int(polynomial).bit_length() - 1
        row = list(begin[:degree])
        for j in range(degree, _BITS):
            new = row[j - degree]
            for k in range(1, degree + 1):
                new ^= ((polynomial >> (degree - k)) & 1) * (row[j - k] << k)
            row.append(new)
        rows.append(row)
    return np.array(rows, dtype=np.uint32) << np.arange(_BITS - 1, -1, -1, dtype=np.uint32)
