"""Posterior of one car: medians, standard deviations and correlations of the model's factors, stored in its file."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from thermal.discrepancy import UNFITTED, Discrepancy
from thermal.discrepancy_text import discrepancy_table, read_discrepancy
from thermal.errors import did_you_mean, shown
from thermal.fluids import FACTOR_RANGE, FACTORS
from thermal.ranges import FloatArray

_MOST_SD = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Factor:
    """One factor as learnt: its median, the standard deviation of its logarithm, and how it is known."""

    value: float
    sd: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Posterior:
    """Factors a fit has found, their correlations by pair of names, and the error it leaves the model.

    Without factors, and with the class's error, for a car without logs.
    """

    factors: Mapping[str, Factor]
    correlation: Mapping[tuple[str, str], float]
    discrepancy: Discrepancy = UNFITTED

    @property
    def names(self) -> tuple[str, ...]:
        """Factors learnt, in the model's order."""
        return tuple(name for name in FACTORS if name in self.factors)

    def covariance(self, usual: Mapping[str, float]) -> FloatArray:
        """Covariance of the logarithms of all factors, in the order of `FACTORS`.

        `usual` has the standard deviation of the logarithm of each factor that was not learnt.

        >>> found = Posterior(factors={"airflow": Factor(value=0.9, sd=0.05, source="a log")}, correlation={})
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


NOTHING = Posterior(factors={}, correlation={})


def posterior_from(
    names: Sequence[str], values: FloatArray, covariance: FloatArray, source: str, discrepancy: Discrepancy = UNFITTED
) -> Posterior:
    """Put a fit's factors into the form a vehicle file keeps, rounded as it will be written.

    `values` has shape (n,), `covariance`, of their logarithms, (n, n); `source` says how they are known, `discrepancy`
    is the error the fit leaves the model.
    """
    sd = np.sqrt(np.diag(covariance))
    factors = {
        name: Factor(value=round(float(v), 4), sd=round(float(s), 4), source=source)
        for name, v, s in zip(names, values, sd, strict=True)
    }
    unit = np.round(covariance / np.outer(sd, sd), 3).tolist()
    pairs = {(names[i], names[j]): unit[i][j] for i, j in combinations(range(len(names)), 2)}
    kept = {key: value for key, value in pairs.items() if abs(value) >= 0.02}
    return Posterior(factors=factors, correlation=kept, discrepancy=discrepancy)


def fit_table(posterior: Posterior) -> dict[str, Any]:
    """Section [fit] of a vehicle file, as `read_posterior` reads it: factors with six digits, correlations by pair.

    >>> fit_table(Posterior(factors={"airflow": Factor(value=0.9, sd=0.05, source="a log")}, correlation={}))
    {'airflow': {'value': 0.9, 'sd': 0.05, 'source': 'a log'}}
    """
    table: dict[str, Any] = {}
    for name in posterior.names:
        held = posterior.factors[name]
        table[name] = {"value": _short(held.value), "sd": _short(held.sd), "source": held.source}
    for (a, b), value in sorted(posterior.correlation.items()):
        table.setdefault("correlation", {}).setdefault(a, {})[b] = _short(value)
    if error := discrepancy_table(posterior.discrepancy):
        table["discrepancy"] = error
    return table


def _short(value: float) -> float:
    return float(f"{value:g}")


def read_posterior(table: Any, where: str, problems: list[str]) -> Posterior:
    """Read the sound part of the section [fit] of a vehicle file; the rest goes to `problems`.

    >>> found: list[str] = []
    >>> read_posterior({"airflo": 1}, "car.toml [fit]", found).names, found[0][:52]
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
                f"{FACTOR_RANGE[0]:g} to {FACTOR_RANGE[1]:g}, sd above 0 and at most {_MOST_SD:g}"
            )
        else:
            factors[key] = factor
    error = read_discrepancy(table.get("discrepancy"), f"{where}.discrepancy", problems)
    pairs = _pairs(table.get("correlation", {}), factors, where, problems)
    found = Posterior(factors=factors, correlation=pairs, discrepancy=error)
    if factors and float(np.min(np.linalg.eigvalsh(found.covariance(dict.fromkeys(FACTORS, 1.0))))) < -1e-3:
        problems.append(f"{where}.correlation: these correlations cannot all hold; copy the section whole from the fit")
        return Posterior(factors=factors, correlation={}, discrepancy=error)
    return found


def _factor(value: Any) -> Factor | None:
    if not isinstance(value, dict) or set(value) != {"value", "sd", "source"}:
        return None
    middle, sd, source = value["value"], value["sd"], str(value["source"]).strip()
    if type(middle) not in (int, float) or type(sd) not in (int, float) or not source:
        return None
    if not (FACTOR_RANGE[0] <= middle <= FACTOR_RANGE[1] and 0.0 < sd <= _MOST_SD):
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
