"""The forecast: the trip's timeline and car run through the thermal model, as described and as an ensemble."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.forecast.kept import CLOSE_K, Kept, Sample, keep_legs, sample_of
from planner.forecast.room import give_back, require_room
from planner.forecast.upper import along_legs
from planner.model import clock
from planner.model.lesson import Lesson
from planner.model.trip import Leg, Place, Trip
from planner.route.timeline import Route, Span, Timeline, open_route
from planner.weather.expected import day_sd_k
from planner.weather.sources import NO_WEATHER, TripWeather
from thermal.discrepancy import conditions_of
from thermal.error_path import rows_along, with_error
from thermal.fluids import N_BODY
from thermal.kernel import Factors, at_once, is_compiled
from thermal.simulate import Result, cold_start_k, make_ready, simulate
from thermal.spread import SEED, draw, medians
from thermal.vehicle_file import VehicleFile

Floats = npt.NDArray[np.float64]
BATCH, BATCHES = 256, 4  # draws per batch, maximum of batches
_HELD: npt.DTypeLike = np.float32  # temperatures of all draws
ERROR_K = 0.3  # target sampling error of small margins at the trip's confidence


Progress = Callable[[str], None]
Start = Callable[[Factors], Floats | None]
"""Temperatures at the start for cars of some factors; None where they are as cold as the air."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """Results of the model for a trip."""

    route: Route
    car: VehicleFile
    nominal: Result  # the car as described on expected days: temperatures of every segment
    spread: Result  # margins of all draws; temperatures about every minute of the first batch
    band_k: Floats  # (n_segment, n_body): not exceeded at the trip's confidence
    factors: Factors  # cars of the first batch of draws
    shift_k: Floats  # (n_draw, n_day): of each day's air, in that batch
    mornings_k: tuple[Floats, ...]  # (1 + n_draw, n_body) at the start of each day, the car as described first
    kept: Kept  # by leg and fluid, at the trip's confidence
    sample: Sample  # all draws behind them, and many that were not driven
    seed: int = SEED
    start_k: Floats | None = None  # (n_body,), of the car as described; None: a cold start
    lesson: Lesson | None = None  # of readings on the way; already applied to `car` and the weather

    @property
    def error_k(self) -> float:
        """Sampling error of the worst known of the small margins: a standard error, from the draws alone. [K]."""
        return _worst_error_k(self.kept)

    @property
    def trip(self) -> Trip:
        """The trip, without closed roads."""
        return self.route.trip

    @property
    def legs(self) -> tuple[Leg, ...]:
        """Legs in driving order."""
        return self.route.legs

    @property
    def timeline(self) -> Timeline:
        """The drive with its clock, places and weather."""
        return self.route.timeline

    @property
    def known(self) -> TripWeather:
        """Weather data beyond the places' usual highs and lows."""
        return self.route.known


@dataclass(frozen=True, slots=True, kw_only=True)
class _Draws:
    """What the draws of one forecast share: the whole sequence, of which the first are driven first."""

    timeline: Timeline
    car: VehicleFile
    start: Start
    rows: npt.NDArray[np.int64]
    factors: Factors
    shift_k: Floats
    seed: int

    def of(self, number: int) -> tuple[Factors, Floats]:
        """One batch: cars, and shifts of each day's air."""
        part = slice(number * BATCH, (number + 1) * BATCH)
        return Factors(*(column[part] for column in self.factors)), self.shift_k[part]

    def batch(self, number: int, *, moments: bool = False, nights: Sequence[int] = ()) -> tuple[Result, Floats]:
        """Drive one batch with the model's own error; and temperatures at the ends of nights, by draw, without it. [K].

        Without `moments` no temperatures are kept. Some draws at a time: those of all of them are as large as
        everything else together, and in single precision their quantiles are the same to 0.0001 K.
        """
        (factors, shift), drive, vehicle = self.of(number), self.timeline.drive, self.car.vehicle
        known, seed, ready = self.car.spread.discrepancy, self.seed + number, make_ready(drive, vehicle)
        start, at = self.start(factors), np.searchsorted(self.rows, nights)
        start_k = None if start is None else np.broadcast_to(start, (BATCH, N_BODY))
        held: list[Result] = []
        around = conditions_of(known, drive, vehicle)
        rests, temps = [], np.empty((BATCH if moments else 0, len(self.rows), N_BODY), dtype=_HELD)
        for first in range(0, BATCH, at_once()):
            part = slice(first, min(first + at_once(), BATCH))
            result = simulate(
                drive,
                vehicle,
                start_k=None if start_k is None else start_k[part],
                factors=Factors(*(column[part] for column in factors)),
                ambient_k=shift[part],
                record=self.rows,
                ready=ready,
            )
            rests.append(result.temps_k[:, at])
            off = with_error(
                result,
                drive,
                vehicle,
                known,
                seed=seed,
                first_draw=first,
                moments=moments,
                around=around,
                spent=True,
            )
            if moments:
                temps[part] = off.temps_k
            held.append(replace(off, temps_k=temps))
            del result, off
        return _joined(held), np.concatenate(rests)

    def sample(self, n_draw: int) -> Sample:
        """The first draws beside many that are not driven."""
        first = Factors(*(column[:n_draw] for column in self.factors))
        return sample_of(self.car, first, self.shift_k[:n_draw], ambient_sd_k(self.timeline), self.seed)


def _draws(timeline: Timeline, car: VehicleFile, start: Start, seed: int) -> _Draws:
    """Draw as many cars and days as may be wanted: one quasi-random sequence."""
    factors, shift = draw(
        BATCH * BATCHES, ambient_sd_k=ambient_sd_k(timeline), seed=seed, posterior=car.spread, vehicle=car.vehicle
    )
    rows = rows_along(timeline.drive)
    return _Draws(timeline=timeline, car=car, start=start, rows=rows, factors=factors, shift_k=shift, seed=seed)


def _joined(parts: Sequence[Result]) -> Result:
    """Some draws after others; temperatures are of all of them already."""
    return replace(
        parts[0],
        margin_k=np.concatenate([part.margin_k for part in parts]),
        where=np.concatenate([part.where for part in parts]),
        heat_in_j=np.concatenate([part.heat_in_j for part in parts]),
        heat_out_j=np.concatenate([part.heat_out_j for part in parts]),
        steps=np.concatenate([part.steps for part in parts]),
        were_k=np.concatenate([part.were_k for part in parts]),
    )


def days_of_legs(timeline: Timeline) -> npt.NDArray[np.int64]:
    """Day of every leg."""
    return np.array([n for n, day in enumerate(timeline.days) for _ in range(day.first, day.last + 1)], np.int64)


def kept_at(outlook: "Forecast", confidence: float) -> Kept:
    """Margins of every leg and fluid at another confidence than the trip's."""
    return keep_legs(outlook.spread.were_k, days_of_legs(outlook.timeline), outlook.sample, confidence)


def _worst_error_k(kept: Kept) -> float:
    """Sampling error of the worst known among margins that are close; none where none is. [K]."""
    return float(np.max(np.where(kept.margin_k < CLOSE_K, kept.error_k, 0.0)))


def _first_morning_k(timeline: Timeline, start: Start, usual: Factors, factors: Factors) -> Floats:
    """Temperatures at the start, the car as described first. [K]."""
    n_draw, cold = len(factors.airflow), cold_start_k(timeline.drive)
    parts = (start(usual), start(factors))
    shapes = ((1, N_BODY), (n_draw, N_BODY))
    return np.vstack(
        [np.broadcast_to(cold if part is None else part, shape) for part, shape in zip(parts, shapes, strict=True)]
    )


def ambient_sd_k(timeline: Timeline) -> Floats:
    """Standard deviation of the air temperature of every day, by source."""
    driven = np.where(timeline.on_road, timeline.drive.duration_s, 0.0)
    return day_sd_k(timeline.air_sd_k, day=timeline.drive.day, weight=driven, n_day=len(timeline.days))


def as_described(route: Route, car: VehicleFile, start: Start = lambda _: None) -> Result:
    """Run a route with the car as described, on expected days."""
    usual = medians(car.spread)
    return simulate(route.timeline.drive, car.vehicle, start_k=start(usual), factors=usual)


def forecast(
    trip: Trip,
    car: VehicleFile,
    *,
    known: TripWeather = NO_WEATHER,
    start: Start = lambda _: None,
    progress: Progress = lambda _: None,
    seed: int = SEED,
) -> Forecast:
    """Forecast a trip."""
    progress("choosing the road and the days")
    return forecast_route(open_route(trip, car.vehicle, known), car, start=start, progress=progress, seed=seed)


def forecast_route(
    route: Route,
    car: VehicleFile,
    *,
    start: Start = lambda _: None,
    progress: Progress = lambda _: None,
    seed: int = SEED,
) -> Forecast:
    """Forecast a given route."""
    if not is_compiled():
        progress("first run: compiling the thermal model for this processor, once, for about 15 s")
    progress("forecasting temperatures: first the car as described, then its uncertainty")
    timeline, confidence, usual = route.timeline, route.trip.confidence, medians(car.spread)
    rows = rows_along(timeline.drive)
    require_room(rows=len(rows), draws=BATCH, bodies=N_BODY, compiled=is_compiled())
    nominal = as_described(route, car, start)
    nights = [span.last for span in timeline.spans if span.kind == "night"]
    drawn, day = _draws(timeline, car, start, seed), days_of_legs(timeline)
    factors, shift = drawn.of(0)
    spread, rests = drawn.batch(0, moments=True, nights=nights)
    later = (np.vstack((nominal.temps_k[:, row], rests[:, i])) for i, row in enumerate(nights))
    mornings_k = (_first_morning_k(timeline, start, usual, factors), *later)
    margins, were = [spread.margin_k], spread.were_k
    sample = drawn.sample(BATCH)
    kept = keep_legs(spread.were_k, day, sample, confidence)
    while (error := _worst_error_k(kept)) > ERROR_K and len(margins) < BATCHES:
        progress(f"{len(margins) * BATCH} draws, sampling error up to {error:.1f} K; drawing more")
        more, _ = drawn.batch(len(margins))
        margins.append(more.margin_k)
        were = np.concatenate((were, more.were_k))
        sample = drawn.sample(len(were))
        kept = keep_legs(were, day, sample, confidence)
    spread = replace(spread, margin_k=np.concatenate(margins), were_k=were)
    highs = (_quantile(spread.temps_k[:, :, node], confidence) for node in range(N_BODY))  # each in a copy
    band = np.column_stack([np.interp(timeline.end_s, timeline.end_s[drawn.rows], high) for high in highs])
    start_k = start(usual)
    give_back()
    return Forecast(
        route=route,
        car=car,
        nominal=nominal,
        spread=spread,
        band_k=along_legs(
            band,
            nominal.temps_k[0],
            limit_k=nominal.limit_k,
            group=timeline.drive.group.astype(np.int64),
            margin_k=np.minimum(kept.margin_k, nominal.margin_k[0]),
        ),
        factors=factors,
        shift_k=shift,
        mornings_k=mornings_k,
        kept=kept,
        sample=sample,
        seed=seed,
        start_k=None if start_k is None else np.atleast_2d(start_k)[0],
    )


def _quantile(draws: npt.NDArray[Any], share: float) -> npt.NDArray[Any]:
    """Quantile over the first axis, to the last digit that of `numpy.quantile`: in a third of its time, as it sorts."""
    ranked = draws.T.copy()
    ranked.sort(axis=1)
    last = ranked.shape[1] - 1
    low = min(int(share * last), last)
    below, above, part = ranked[:, low], ranked[:, min(low + 1, last)], share * last - low
    apart = above - below
    found = above - apart * (1.0 - part) if part >= 0.5 else below + apart * part
    return np.asarray(np.where(np.isnan(ranked[:, last]), np.nan, found), dtype=draws.dtype)


def first_margins_k(route: Route, car: VehicleFile, start: Start) -> Floats:
    """Margins of every leg and fluid at the trip's confidence, from the first batch only, for comparisons."""
    described, drawn = as_described(route, car, start).margin_k[0], _draws(route.timeline, car, start, SEED)
    were, day = drawn.batch(0)[0].were_k, days_of_legs(route.timeline)
    return np.asarray(np.minimum(keep_legs(were, day, drawn.sample(BATCH), route.trip.confidence).margin_k, described))


def span_of(outlook: Forecast, leg: int) -> Span:
    """Segments of a leg, driven or carried."""
    return outlook.timeline.span_of(leg)


def local_time(outlook: Forecast, segment: int, *, begin: bool = False) -> datetime:
    """Local time at a segment's end or start, in the zone of its end."""
    line = outlook.timeline
    seconds = line.begin_s[segment] if begin else line.end_s[segment]
    return clock.local(float(seconds), float(line.lat_deg[segment]), float(line.lon_deg[segment]))


def leg_name(outlook: Forecast, leg: int) -> str:
    """Name a leg by its ends."""
    places, this = outlook.trip.places, outlook.legs[leg]
    return f"{places[this.start].name} to {places[this.finish].name}"


def day_ends(outlook: Forecast, number: int) -> tuple[Place, Place]:
    """Places where a day begins and ends."""
    places, day = outlook.trip.places, outlook.timeline.days[number]
    return places[outlook.legs[day.first].start], places[outlook.legs[day.last].finish]
