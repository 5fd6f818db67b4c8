"""What logs have taught of one car: medians, spreads and correlations of the model's factors, kept in its file."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from thermal.discrepancy import UNFITTED, Discrepancy
from thermal.discrepancy_text import read_discrepancy
from thermal.errors import did_you_mean
from thermal.ranges import FloatArray
from thermal.tomltext import shown

FACTORS = {
    "engine_heat": "heat the engine makes",
    "airflow": "air through the radiator",
    "radiator": "what the radiator passes at a given air flow",
    "oil_heat": "heat made in the engine's oil",
    "oil_coolant": "heat passed between oil and coolant",
    "oil_cooler": "what oil cooler and sump give to the air",
    "gearbox_heat": "heat the transmission makes",
    "gearbox_loss": "what the transmission gives off",
    "axle_heat": "heat the differential makes",
    "axle_loss": "what the differential gives off",
    "capacity": "heat capacity of everything, so the time to warm",
    "brake_heat": "heat the brakes take",
}
_LOW, _HIGH, _MOST_SD = 0.1, 5.0, 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Factor:
    """One factor as learnt: its median, the standard deviation of its logarithm, and how it is known."""

    value: float
    sd: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Learnt:
    """Factors a fit has found, their correlations by pair of names, and the error it leaves the model.

    Without factors, and with the class's error, for a car nobody has logged.
    """

    factors: Mapping[str, Factor]
    correlation: Mapping[tuple[str, str], float]
    discrepancy: Discrepancy = UNFITTED

    @property
    def names(self) -> tuple[str, ...]:
        """Factors learnt, in the model's order."""
        return tuple(name for name in FACTORS if name in self.factors)

    def covariance(self, usual: Mapping[str, float]) -> FloatArray:
        """Covariance of the logarithms of all factors.

        Parameters
        ----------
        usual : mapping
            Standard deviation of the logarithm of each factor that was not learnt. [-]

        Returns
        -------
        ndarray, shape (12, 12)
            In the order of `FACTORS`. [-]

        Examples
        --------
        >>> found = Learnt(factors={"airflow": Factor(value=0.9, sd=0.05, source="a log")}, correlation={})
        >>> np.sqrt(np.diag(found.covariance(dict.fromkeys(FACTORS, 0.2))))[:3]
        array([0.2 , 0.05, 0.2 ])
        """
        sd = np.array([self.factors[n].sd if n in self.factors else usual[n] for n in FACTORS])
        order = list(FACTORS)
        unit = np.eye(len(order))
        for (a, b), value in self.correlation.items():
            i, j = order.index(a), order.index(b)
            unit[i, j] = unit[j, i] = value
        return np.asarray(unit * np.outer(sd, sd))

    @property
    def medians(self) -> FloatArray:
        """Medians of all factors in the order of `FACTORS`; 1 where nothing was learnt. [-]."""
        return np.array([self.factors[n].value if n in self.factors else 1.0 for n in FACTORS])


NOTHING = Learnt(factors={}, correlation={})


def learnt_from(
    names: Sequence[str],
    values: FloatArray,
    covariance: FloatArray,
    source: str,
    discrepancy: Discrepancy = UNFITTED,
) -> Learnt:
    """Put a fit's factors into the form a vehicle file keeps.

    Parameters
    ----------
    names : sequence of str
        Factors fitted. [-]
    values : ndarray, shape (n,)
        Their values. [-]
    covariance : ndarray, shape (n, n)
        Of their logarithms. [-]
    source : str
        How they are known. [-]
    discrepancy : Discrepancy
        Error the fit leaves the model; the class's when not given. [-]

    Returns
    -------
    Learnt
        Rounded as it will be written.
    """
    sd = np.sqrt(np.diag(covariance))
    factors = {
        name: Factor(value=round(float(v), 4), sd=round(float(s), 4), source=source)
        for name, v, s in zip(names, values, sd, strict=True)
    }
    pairs = {
        (a, b): round(float(covariance[i, j] / (sd[i] * sd[j])), 3)
        for i, a in enumerate(names)
        for j, b in enumerate(names)
        if i < j
    }
    kept = {key: value for key, value in pairs.items() if abs(value) >= 0.02}
    return Learnt(factors=factors, correlation=kept, discrepancy=discrepancy)


def read_learnt(table: Any, where: str, problems: list[str]) -> Learnt:
    """Check the section [fit] of a vehicle file.

    Parameters
    ----------
    table : Any
        The section as TOML gives it. [-]
    where : str
        File and section, for messages. [-]
    problems : list of str
        Where sentences go. [-]

    Returns
    -------
    Learnt
        What is sound of it.

    Examples
    --------
    >>> found: list[str] = []
    >>> read_learnt({"airflo": 1}, "car.toml [fit]", found).names, found[0][:52]
    ((), "car.toml [fit]: unknown key 'airflo'; did you mean '")
    """
    if not isinstance(table, dict):
        problems.append(f"{where}: must be a section; delete it, or copy one that `grademargin fit` wrote")
        return NOTHING
    factors: dict[str, Factor] = {}
    for key, value in table.items():
        if key in ("correlation", "discrepancy"):
            continue
        if key not in FACTORS:
            hint = did_you_mean(key, FACTORS) or f"; allowed: correlation, discrepancy, {', '.join(FACTORS)}"
            problems.append(f"{where}: unknown key {shown(key)}{hint}")
        elif (factor := _factor(value)) is None:
            problems.append(
                f'{where} {key}: read {shown(value)}; write {{value = 0.9, sd = 0.05, source = "..."}}, value '
                f"{_LOW:g} to {_HIGH:g}, sd above 0 and at most {_MOST_SD:g}"
            )
        else:
            factors[key] = factor
    error = read_discrepancy(table.get("discrepancy"), f"{where}.discrepancy", problems)
    pairs = _pairs(table.get("correlation", {}), factors, where, problems)
    found = Learnt(factors=factors, correlation=pairs, discrepancy=error)
    if factors and float(np.min(np.linalg.eigvalsh(found.covariance(dict.fromkeys(FACTORS, 1.0))))) < -1e-3:
        problems.append(f"{where}.correlation: these correlations cannot all hold; copy the section whole from the fit")
        return Learnt(factors=factors, correlation={}, discrepancy=error)
    return found


def _factor(value: Any) -> Factor | None:
    """Read one factor, or nothing."""
    if not isinstance(value, dict) or set(value) != {"value", "sd", "source"}:
        return None
    middle, sd, source = value["value"], value["sd"], str(value["source"]).strip()
    if type(middle) not in (int, float) or type(sd) not in (int, float) or not source:
        return None
    if not (_LOW <= middle <= _HIGH and 0.0 < sd <= _MOST_SD):
        return None
    return Factor(value=float(middle), sd=float(sd), source=source)


def _pairs(table: Any, factors: Mapping[str, Factor], where: str, problems: list[str]) -> dict[tuple[str, str], float]:
    """Read the correlations between factors that are there."""
    rows = table.items() if isinstance(table, dict) else ()
    if not isinstance(table, dict):
        problems.append(f"{where}.correlation: must be a section such as airflow = {{radiator = -0.5}}")
    out: dict[tuple[str, str], float] = {}
    for a, row in rows:
        for b, value in row.items() if isinstance(row, dict) else (("?", row),):
            if a not in factors or b not in factors or a == b or type(value) not in (int, float) or not -1 < value < 1:
                said = f"{shown(a)} with {shown(b)} is {shown(value)}"
                problems.append(f"{where}.correlation: {said}; both must be learnt, value -1 to 1")
            else:
                out[a, b] = float(value)
    return out
