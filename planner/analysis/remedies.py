"""What to do about a thin margin: every choice driven through the model, the cheapest that suffices first."""

import itertools
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TypedDict

import numpy as np

from planner.analysis.candidates import candidates
from planner.analysis.margins import Margin, fluids_of, gravest
from planner.analysis.rerun import FEWEST, FIRST, Change, Laid, Trial, Tried, lay_out_day, run_day, run_more
from planner.analysis.trip_remedies import Detour, detours, drive
from planner.forecast.assemble import Progress, quiet
from planner.forecast.kept import Kept, rough_chance
from planner.forecast.room import give_back
from planner.forecast.run import ERROR_K, Forecast
from planner.model import clock
from planner.model.display import Units, units_of
from planner.model.levels import TIGHT
from planner.route.oneday import DayLegs
from planner.route.timeline import Span
from thermal.fluids import fluid_of
from thermal.ranges import BoolArray
from thermal.sharing import one_of_several

_PAIRS, _BEST_PAIRS = 10, 2
_AT_ONCE = 2  # choices driven at the same time
_SLACK, _HARDLY = 0.005, 1e-4  # a pair is tried when its effects, added up, promise a chance so close to the wanted one
GAIN_K = 2.0
"""ASSUMED: a gain that a gauge shows; what gains less is no remedy; likely range 1 to 3."""
_LARGE_K = 10.0  # of a larger gain the first draws tell too small an error (worked example, twelve seeds)
_CLEARLY = 3.0  # standard errors beyond which the first draws suffice to leave a choice out
_SAME_K, _PART_K = 0.1, 0.5  # the second: what counts as one part of a pair
_NIGHT_WORTH = 60.0  # minutes a changed night weighs. ASSUMED, for the order only
_SHIFT_WORTH = 0.2  # a minute's earlier start weighs as a fifth of a minute lost. ASSUMED, for the order only


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """One choice and what it does to the fluid in question."""

    words: str
    kind: str
    minutes: float
    gain_k: float
    margin_k: float
    error_k: float  # sampling error, as is `probability_error`
    probability: float
    probability_error: float
    works: bool  # suffices beyond the sampling errors
    undecided: bool  # the sampling errors leave open whether it suffices
    note: str
    changes: tuple[Change, ...]
    trial: Tried | None
    nights: tuple[str, ...] = ()  # nights to ask for, where that is the remedy

    @property
    def futile(self) -> bool:
        """True when it does next to nothing for the fluid in question."""
        return self.gain_k < GAIN_K


@dataclass(frozen=True, slots=True, kw_only=True)
class DayRemedies:
    """A day with a thin margin, and the choices: what suffices, what gains most, what does next to nothing."""

    day: int
    leg: int
    fluid: str
    margin_k: float
    error_k: float
    probability: float
    choices: tuple[Remedy, ...]
    tried: tuple[Remedy, ...] = ()  # also those that another choice beats

    @property
    def working(self) -> tuple[Remedy, ...]:
        """Choices that suffice, fewest minutes lost per kelvin first."""
        return tuple(choice for choice in self.choices if choice.works)

    @property
    def helpful(self) -> tuple[Remedy, ...]:
        """Choices that gain but do not suffice, the greatest gain first."""
        return tuple(c for c in self.choices if not c.works and not c.undecided and not c.futile)

    @property
    def undecided(self) -> tuple[Remedy, ...]:
        """Choices about as likely as not to suffice, least cost first."""
        return tuple(choice for choice in self.choices if choice.undecided)


def find_remedies(
    outlook: Forecast, margins: tuple[Margin, ...], *, progress: Progress = quiet
) -> tuple[DayRemedies, ...]:
    """Try remedies on every day with a thin or exceeded margin."""
    found = []
    for number, day in enumerate(outlook.timeline.days):
        worst = gravest(m for m in margins if day.first <= m.leg <= day.last)
        if worst.level in TIGHT:
            progress(f"trying remedies for day {number + 1}, {fluid_of(worst.fluid).label}")
            found.append(_day(outlook, number, worst))
            give_back()
    return tuple(found)


class _Tries:
    """Choices of one day, driven some at a time: while one is laid out, another is driven."""

    def __init__(self, outlook: Forecast, number: int, worst: Margin, pool: ThreadPoolExecutor) -> None:
        self.outlook, self.number, self.worst, self.pool = outlook, number, worst, pool
        self.base = run_day(outlook, number)
        self.driven: dict[tuple[Change, ...], Remedy] = {}  # with all the draws

    def all(self, choices: Iterable[tuple[Change, ...]]) -> list[Remedy]:
        """Drive every choice; what may be shown with more draws."""
        found = self._surer(list(self.pool.map(self._rough, choices)))
        give_back()
        return found

    def cheapest(self, choices: Iterable[tuple[Change, ...]], count: int) -> list[Remedy]:
        """The cheapest choices that suffice, as `all` has them.

        What a choice costs is known when it is laid out, and no dearer one says whether it needs more draws: those that
        are dearer than enough others need not be driven.
        """
        laid = [*self.pool.map(lambda changes: (changes, self._laid(changes)), choices)]
        laid.sort(key=lambda one: _cost_of(one[0], _minutes(self.base, one[1].day, one[0])))
        rough: list[Remedy] = []
        enough: list[Remedy] = []
        while laid and len(enough) < count:
            some, laid = laid[:_AT_ONCE], laid[_AT_ONCE:]
            rough += self.pool.map(lambda one: self._rough(*one), some)
            enough = [one for one in self._surer(rough) if one.works][:count]
        return enough

    def ways(self) -> "Future[list[tuple[Remedy, Detour]]]":
        """Begin with other roads and nights, a few draws of each."""

        def drive_each() -> list[tuple[Remedy, Detour]]:
            found = detours(self.outlook, self.number, self.worst)
            rough = [(self._way(one, 2 * FEWEST), one) for one in found]
            give_back()
            return rough

        return self.pool.submit(drive_each)

    def surer_ways(self, rough: Sequence[tuple[Remedy, Detour]], others: Sequence[Remedy]) -> list[Remedy]:
        """Other roads and nights, driven with all the draws where they may change what is said."""
        found = [*(remedy for remedy, _ in rough), *others]
        for i, (remedy, detour) in enumerate(rough):
            if _open(remedy, found, self.outlook.trip.risk):
                found[i] = self._way(detour, None)
        give_back()
        return found[: len(rough)]

    def _way(self, detour: Detour, n_draw: int | None) -> Remedy:
        kept = drive(self.outlook, detour, n_draw)
        return _other_way(self.outlook, self.base, self.worst, detour, kept)

    def _laid(self, changes: tuple[Change, ...]) -> Laid:
        return lay_out_day(self.outlook, self.number, changes, self.base)

    def _rough(self, changes: tuple[Change, ...], laid: Laid | None = None) -> Remedy:
        return try_changes(self.outlook, self.number, self.base, self.worst, changes, n_draw=FIRST, laid=laid)

    def _surer(self, rough: Sequence[Remedy]) -> list[Remedy]:
        """Drive with more draws what they may change; again until they change nothing."""
        found, risk = list(rough), self.outlook.trip.risk
        while more := [i for i, one in enumerate(found) if _is_rough(one) and _open(one, found, risk)]:
            for i, one in zip(more, list(self.pool.map(lambda i: self._with_more(found[i]), more)), strict=True):
                found[i] = one
        return found

    def _with_more(self, remedy: Remedy) -> Remedy:
        """The same choice, driven with all the draws, once."""
        if remedy.changes not in self.driven:
            self.driven[remedy.changes] = _with_more(self.outlook, self.number, self.base, self.worst, remedy)
        return self.driven[remedy.changes]


def _day(outlook: Forecast, number: int, worst: Margin) -> DayRemedies:
    """Try single changes, then pairs of those that help but do not suffice."""
    with ThreadPoolExecutor(_AT_ONCE, initializer=one_of_several) as pool:
        tries = _Tries(outlook, number, worst, pool)
        base, ways = tries.base, tries.ways()
        single = tries.all((change,) for change in candidates(outlook, number, worst))
        helpful = sorted((r for r in single if not r.works and r.gain_k > _PART_K), key=_cost)
        likely = ((*a.changes, *b.changes) for a, b in _compatible(helpful) if _promises(outlook, base, a, b))
        both = tries.cheapest(itertools.islice(likely, _PAIRS), _BEST_PAIRS)
        others = tries.surer_ways(ways.result(), [*single, *both])
        tried = sorted([_brief(one) for one in (*single, *both, *others)], key=_order)
    f = fluids_of(outlook).index(worst.fluid)
    return DayRemedies(
        day=number,
        leg=worst.leg,
        fluid=worst.fluid,
        margin_k=float(base.kept.margin_k[f]),
        error_k=float(base.kept.error_k[f]),
        probability=float(base.kept.chance[f]),
        choices=tuple(_undominated(tried)),
        tried=tuple(tried),
    )


def _is_rough(remedy: Remedy) -> bool:
    """Whether a choice was driven with the first draws only."""
    return isinstance(remedy.trial, Trial) and len(remedy.trial.were_k) <= FIRST


def _brief(remedy: Remedy) -> Remedy:
    """The same choice, without its draws."""
    if remedy.trial is None:
        return remedy
    return replace(remedy, trial=Tried(day=remedy.trial.day, kept=remedy.trial.kept))


def _open(one: Remedy, found: list[Remedy], risk: float) -> bool:
    """Whether more draws may change what is said of a choice that is worth showing."""
    if one.gain_k + _CLEARLY * one.error_k < GAIN_K or _is_sure(one, risk):
        return False
    return not any(_clearly_beats(other, one, risk) for other in found)


def _is_sure(one: Remedy, risk: float) -> bool:
    """Whether a choice is known as well as a forecast should be, and its errors leave open nothing that is said."""
    if one.error_k > ERROR_K or one.gain_k > _LARGE_K or abs(one.gain_k - GAIN_K) < _CLEARLY * one.error_k:
        return False
    return abs(one.probability - risk) > _CLEARLY * one.probability_error and not one.undecided


def _clearly_beats(other: Remedy, one: Remedy, risk: float) -> bool:
    """Whether another choice gains more at less cost, whatever the errors of both are."""
    if _cost(other) >= _cost(one) or other.gain_k - _CLEARLY * other.error_k < GAIN_K:
        return False
    if other.margin_k - one.margin_k < _SAME_K + _CLEARLY * float(np.hypot(one.error_k, other.error_k)):
        return False
    surely = other.works and other.probability + _CLEARLY * other.probability_error <= risk
    return surely or one.probability - _CLEARLY * one.probability_error > risk


def _with_more(outlook: Forecast, number: int, base: Trial, worst: Margin, remedy: Remedy) -> Remedy:
    """The same choice, driven with all the draws."""
    if not isinstance(remedy.trial, Trial):
        return remedy
    trial = run_more(outlook, number, remedy.changes, remedy.trial, unchanged=base, fluid=worst.fluid)
    return _remedy(outlook, number, base, worst, remedy.changes, trial)


def _compatible(helpful: list[Remedy]) -> Iterator[tuple[Remedy, Remedy]]:
    """Pairs of different kinds, cheapest first."""
    pairs = ((a, b) for a, b in itertools.combinations(helpful, 2) if a.kind != b.kind)
    return iter(sorted(pairs, key=lambda pair: (_cost(pair[0]) + _cost(pair[1]), pair[0].words, pair[1].words)))


def _promises(outlook: Forecast, base: Trial, one: Remedy, other: Remedy) -> bool:
    """Guess whether two changes suffice together: gains added by draw, the chance corrected as for the better one."""
    if not isinstance(one.trial, Trial) or not isinstance(other.trial, Trial):
        return False
    n = min(len(one.trial.were_k), len(other.trial.were_k))
    were = one.trial.were_k[:n] + other.trial.were_k[:n] - base.were_k[:n]
    part = min(one.trial, other.trial, key=lambda trial: float(trial.kept.chance.max()))
    right = np.clip(part.kept.chance / np.maximum(rough_chance(part.were_k[:n]), _HARDLY), 0.5, 2.0)
    return bool(np.all(right * rough_chance(were) <= outlook.trip.risk + _SLACK))


def _undominated(found: list[Remedy]) -> list[Remedy]:
    """Drop every choice that another beats: as much margin or more, at less cost."""
    return [one for one in found if one.futile or not any(_beats(other, one) for other in found)]


def _beats(other: Remedy, one: Remedy) -> bool:
    """Whether a choice is at least as good in both and better in one."""
    if (other.works, other.undecided) < (one.works, one.undecided) or other.margin_k < one.margin_k - _SAME_K:
        return False
    return _cost(other) < _cost(one) or (_cost(other) == _cost(one) and other.margin_k > one.margin_k + _SAME_K)


def _order(remedy: Remedy) -> tuple[bool, bool, bool, float, str]:
    """Sorting key: least cost per kelvin among those that suffice or may, then the greatest gain."""
    may = remedy.works or remedy.undecided
    by = _cost(remedy) / max(remedy.gain_k, GAIN_K) if may else -remedy.gain_k
    return not remedy.works, not remedy.undecided, remedy.futile, by, remedy.words


def _cost(remedy: Remedy) -> float:
    """Cost in minutes: time lost, a night or an earlier start, effort."""
    return _cost_of(remedy.changes, remedy.minutes + (_NIGHT_WORTH if remedy.kind == "night" else 0.0))


def _cost_of(changes: tuple[Change, ...], minutes: float) -> float:
    """Cost of changes that lose so many minutes."""
    shift = sum(abs(change.shift_s) / 60.0 for change in changes)
    return minutes + _SHIFT_WORTH * shift + sum(change.effort for change in changes)


def _minutes(base: Trial, day: DayLegs, changes: tuple[Change, ...]) -> float:
    """Time that a changed day loses; a later start is none."""
    shift = sum(change.shift_s for change in changes if change.kind == "hour")
    return max((day.end_s - base.day.end_s - shift) / 60.0, 0.0)


def _other_way(outlook: Forecast, base: Trial, worst: Margin, detour: Detour, kept: Kept) -> Remedy:
    """Judge another road, or another night."""
    return Remedy(
        words=detour.words,
        kind=detour.kind,
        minutes=max(detour.minutes, 0.0),
        note="one more day" if detour.days > 0 else "",
        nights=detour.nights,
        changes=(),
        trial=None,
        **_judged(outlook, base, worst, kept),
    )


class _Verdict(TypedDict):
    """The part of a remedy that says what it does."""

    gain_k: float
    margin_k: float
    error_k: float
    probability: float
    probability_error: float
    works: bool
    undecided: bool


def _judged(outlook: Forecast, base: Trial, worst: Margin, after: Kept) -> _Verdict:
    """Hold margins against the plan's; what sampling errors leave open is neither enough nor too little."""
    f, before, risk = fluids_of(outlook).index(worst.fluid), base.kept.margin_k, outlook.trip.risk
    gain, thin = float(after.margin_k[f] - before[f]), before < outlook.trip.thin_band_k
    gains = gain >= GAIN_K and bool(np.all(after.margin_k[thin] >= before[thin] - _SAME_K))
    works = gains and bool(np.all(after.chance + after.chance_error <= risk))
    return {
        "gain_k": gain,
        "margin_k": float(after.margin_k[f]),
        "error_k": float(after.error_k[f]),
        "probability": float(after.chance[f]),
        "probability_error": float(after.chance_error[f]),
        "works": works,
        "undecided": gains and not works and bool(np.all(after.chance - after.chance_error <= risk)),
    }


def try_changes(
    outlook: Forecast,
    number: int,
    base: Trial,
    worst: Margin,
    changes: tuple[Change, ...],
    *,
    n_draw: int | None = None,
    laid: Laid | None = None,
) -> Remedy:
    """Drive the day with the changes and judge it."""
    trial = run_day(outlook, number, changes, unchanged=base, n_draw=n_draw, laid=laid, fluid=worst.fluid)
    return _remedy(outlook, number, base, worst, changes, trial)


def _remedy(
    outlook: Forecast, number: int, base: Trial, worst: Margin, changes: tuple[Change, ...], trial: Trial
) -> Remedy:
    """Judge a day driven with changes."""
    verdict = _judged(outlook, base, worst, trial.kept)
    return Remedy(
        words=" and ".join(change.words for change in changes),
        kind="+".join(change.kind for change in changes),
        minutes=_minutes(base, trial.day, changes),
        note=_note(outlook, number, base, trial, worst, changes, works=verdict["works"]),
        changes=changes,
        trial=trial,
        **verdict,
    )


def _note(
    outlook: Forecast,
    number: int,
    base: Trial,
    trial: Trial,
    worst: Margin,
    changes: tuple[Change, ...],
    *,
    works: bool,
) -> str:
    """Say what breaks a rule, what gets worse, and why a choice does not help."""
    said = [*_broken(outlook, number, trial), *_others(outlook, trial, worst)]
    if not works and any(change.stop_after is not None and not change.idle_first for change in changes):
        said.append(_forgotten(base, trial, worst, units_of(outlook.trip.units)))
    return "; ".join(said)


def _broken(outlook: Forecast, number: int, trial: Trial) -> Iterator[str]:
    """Name the rules of the trip that the day would break."""
    trip, rules, day = outlook.trip, outlook.trip.day, trial.day
    if day.driving_s > rules.driving_s:
        yield f"breaks the day's driving limit by {(day.driving_s - rules.driving_s) / 60.0:.0f} min"
    later = outlook.timeline.days[number + 1 : number + 2]
    if later and day.end_s > later[0].start_s:
        yield "arrives after the next day has begun"
    place = trip.places[outlook.legs[day.last].finish]
    today = clock.local(day.start_s, place.lat_deg, place.lon_deg).date()
    _, sunset = clock.sun_times_utc(place.lat_deg, place.lon_deg, today)
    if rules.daylight and day.end_s > sunset.timestamp() - rules.before_sunset_s:
        yield f"arrives later than the wanted {rules.before_sunset_s / 60.0:.0f} min before sunset"
    start = trip.places[outlook.legs[day.first].start]
    if number > 0 and clock.local(day.start_s, start.lat_deg, start.lon_deg).time() < rules.earliest:
        yield f"starts before the earliest hour, {rules.earliest:%H:%M}"
    for span in (span for span in trial.timeline.spans if span.on_road):
        yield from _missed(outlook, span, float(trial.timeline.end_s[span.last]))


def _missed(outlook: Forecast, span: Span, arrival_s: float) -> Iterator[str]:
    """Name the appointments that the car now arrives too late for."""
    trip, place = outlook.trip, outlook.trip.places[span.place]
    now = clock.local(arrival_s, place.lat_deg, place.lon_deg).replace(tzinfo=None)
    for event in trip.events:
        if (event.place, event.on) == (place.key, now.date()) and now.time() > event.arrive_by:
            yield f"reaches {place.name} after {event.arrive_by:%H:%M}, too late for the event"
    if trip.finish_by is not None and span.leg + 1 == len(outlook.legs) and now > trip.finish_by:
        yield f"reaches the finish after {trip.finish_by:%H:%M}"


def _others(outlook: Forecast, trial: Trial, worst: Margin) -> list[str]:
    """Name other fluids that stay over the wanted chance, or get there."""
    said = []
    for fluid, chance in zip(fluids_of(outlook), trial.kept.chance, strict=True):
        if fluid != worst.fluid and chance > outlook.trip.risk:
            said.append(f"{fluid_of(fluid).label} still passes its limit with {100 * chance:.0f} % chance")
    return said


def _forgotten(base: Trial, trial: Trial, worst: Margin, u: Units) -> str:
    """Measure how much of a stop's cooling is left at the peak: time constant against grade length."""
    node = fluid_of(worst.fluid).node
    leg = worst.leg
    foot = _foot(base, leg, node) - _foot(trial, leg, node)
    peak = _peak(base, leg, node) - _peak(trial, leg, node)
    minutes = float(base.timeline.drive.duration_s[_rows(base, leg)].sum()) / 60.0
    return (
        f"starts the leg {u.diff(foot):z.0f} {u.temperature} cooler in the {fluid_of(worst.fluid).label}; "
        f"{u.diff(peak):z.0f} {u.temperature} of it remain at the peak, after {minutes:.0f} min of driving"
    )


def _rows(trial: Trial, leg: int) -> BoolArray:
    """Segments in which a leg is driven, or the car carried along it."""
    line = trial.timeline
    return np.asarray((line.drive.group == leg) & line.on_road)


def _foot(trial: Trial, leg: int, node: int) -> float:
    """Temperature at the leg's first segment. [K]."""
    return float(trial.nominal_k[np.flatnonzero(_rows(trial, leg))[0], node])


def _peak(trial: Trial, leg: int, node: int) -> float:
    """Highest temperature on the leg. [K]."""
    return float(trial.nominal_k[_rows(trial, leg), node].max())
