"""Lubricants: viscosity against temperature and what follows from it."""

from dataclasses import dataclass

import numpy as np

from thermal.errors import ParameterError
from thermal.ranges import FloatArray


@dataclass(frozen=True, slots=True)
class Oil:
    """Walther's line through two measured viscosities: log10 log10(nu + 0.7) = a - b log10 T."""

    a: float
    b: float

    def viscosity_m2_per_s(self, temp_k: FloatArray) -> FloatArray:
        """Kinematic viscosity at an oil temperature.

        ASTM D341 in Walther's short form, good above 2 mm2/s; capped at 1e5 mm2/s on the cold side.

        >>> oil = oil_from_viscosities(at_40c_m2_per_s=108e-6, at_100c_m2_per_s=14.6e-6)
        >>> round(1e6 * float(oil.viscosity_m2_per_s(353.15)), 1)
        24.7
        """
        exponent = self.a - self.b * np.log10(temp_k)
        nu_mm2_per_s = 10.0 ** (10.0 ** np.minimum(exponent, np.log10(5.0))) - 0.7
        return 1e-6 * nu_mm2_per_s


def oil_from_viscosities(*, at_40c_m2_per_s: float, at_100c_m2_per_s: float) -> Oil:
    """Fit Walther's line to the two kinematic viscosities on an oil's data sheet.

    Raises `ParameterError` if the oil would thicken with heat or is thinner than 2 mm2/s.

    ASTM D341. Both points are met exactly.

    >>> oil = oil_from_viscosities(at_40c_m2_per_s=108e-6, at_100c_m2_per_s=14.6e-6)
    >>> round(oil.a, 4), round(oil.b, 4)
    (8.0199, 3.0897)
    """
    if not at_40c_m2_per_s > at_100c_m2_per_s >= 2e-6:
        message = (
            f"viscosities {at_40c_m2_per_s * 1e6:g} and {at_100c_m2_per_s * 1e6:g} mm2/s: the one at 40 degC must be "
            "the larger, and the one at 100 degC at least 2 mm2/s"
        )
        raise ParameterError(message)
    w_40, w_100 = (np.log10(np.log10(1e6 * nu + 0.7)) for nu in (at_40c_m2_per_s, at_100c_m2_per_s))
    x_40, x_100 = np.log10(313.15), np.log10(373.15)
    b = (w_40 - w_100) / (x_100 - x_40)
    return Oil(a=float(w_40 + b * x_40), b=float(b))


def spin_ratio(viscosity_m2_per_s: FloatArray, reference_m2_per_s: float) -> FloatArray:
    """Ratio of spin and churning loss to that at the viscosity for which the loss is given. [-]

    Loss ~ nu^0.3: exponents 0.2 to 0.4 are common practice, no source. Self-limiting: warm oil churns less.

    >>> spin_ratio(20e-6, 20e-6)
    1.0
    """
    return (viscosity_m2_per_s / reference_m2_per_s) ** 0.3
