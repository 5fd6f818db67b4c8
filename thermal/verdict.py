"""Verdicts on a log: probabilities of causes, and causes that the log cannot tell apart."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from thermal.cause_list import FAMILIES, USUAL

CALM = 0.6  # what nothing unusual has before the log is seen, ASSUMED: logs are reviewed for a reason (0.5 to 0.95)
# Share above which "nothing unusual" is among the indistinguishable causes, chosen on cars 0 to 23 of docs/learning.md:
# a tenth or a third left faults undecided and accused no fewer sound cars.
_DOUBT = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """How probable one cause is once the log is seen; value of its parameter that explains the log best."""

    name: str
    words: str
    probability: float
    value: float  # a factor or share, kelvins for a thermostat or gauge, 0 for none
    rmse_k: float  # what the cause leaves unexplained
    onset_s: float | None = None  # when it began; None from the start
    effect_k: float = 0.0  # how far it moves the reading it moves most
    change_k: tuple[float, ...] = ()  # how far it moves every body where that reads highest; empty without a model
    unseen: tuple[str, ...] = ()  # only of "usual": causes the log could not have told, in a size worth knowing of
    beside: tuple[str, ...] = ()  # only of "usual": causes nearest to readings that stay beyond their interval


class Doubt(NamedTuple):
    """How well air, heights and load of a log are known, where that differs from the usual."""

    air_sd_k: float = 1.5  # standard deviation of its air
    load_sd: float = 0.0  # standard deviation of the load, as a share of it, without heights
    work: float = float("nan")  # the engine's logged work over the model's; NaN where no load is logged
    work_sd: float = 0.2  # standard deviation of its logarithm


def alike(verdicts: Sequence[Verdict], *, within: float = 3.0) -> tuple[Verdict, ...]:
    """Causes that the log cannot tell from the most probable one: it is at most `within` times as probable as they.

    Causes of one family count together: they need the same inspection. "usual" is among them while it has a half, or
    as much as the likeliest family: a mere likelihood does not accuse a car. Nor does it call one sound: where the log
    made "usual" less probable than before, the likeliest of the others stand beside it, and where readings stay beyond
    their interval, the nearest whatever its odds.

    >>> few = [Verdict(name=n, words=n, probability=p, value=1.0, rmse_k=1.0) for n, p in (("a", 0.6), ("b", 0.3))]
    >>> [v.name for v in alike(few)]
    ['a', 'b']
    >>> few = [Verdict(name=n, words=n, probability=p, value=1.0, rmse_k=1.0) for n, p in (("usual", 0.55), ("b", 0.2))]
    >>> [v.name for v in alike(few)]
    ['usual', 'b']
    """
    kin = {v.name: next((f for f in FAMILIES if v.name in f), frozenset({v.name})) for v in verdicts}
    share = {v.name: sum(w.probability for w in verdicts if w.name in kin[v.name]) for v in verdicts}
    top = {v.name: max(w.probability for w in verdicts if w.name in kin[v.name]) for v in verdicts}
    usual = share.get(USUAL, 0.0)
    best = max((p for name, p in share.items() if name != USUAL), default=0.0)
    first = usual if usual >= max(CALM, best) else best
    near = tuple(
        v
        for v in verdicts
        if (
            usual >= min(_DOUBT, best)
            if v.name == USUAL
            else share[v.name] * within >= first and v.probability * within >= top[v.name]
        )
    )
    beside = near[0].beside if [v.name for v in near] == [USUAL] else ()
    return (*near, *(v for v in verdicts if v.name in beside))
