"""The forecast: the trip's timeline and car run through the thermal model, as described and as an ensemble."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import numpy.typing as npt

from planner.forecast.room import require_room
from planner.forecast.upper import along_legs
from planner.model import clock
from planner.model.lesson import Lesson
from planner.model.trip import Leg, Place, Trip
from planner.route.timeline import Route, Span, Timeline, open_route
from planner.weather.expected import day_sd_k
from planner.weather.sources import NO_WEATHER, TripWeather
from thermal.error_path import rows_along, with_error
from thermal.fluids import N_BODY
from thermal.kernel import Factors, is_compiled
from thermal.simulate import Result, cold_start_k, simulate
from thermal.spread import SEED, draw, medians
from thermal.vehicle_file import VehicleFile

Floats = npt.NDArray[np.float64]
SET, BATCH, BATCHES = 32, 256, 4  # draws per scrambled set and per batch, maximum of batches
ERROR_K = 0.3  # target error of the margin at the trip's confidence
_CLOSE_K = 20.0  # the target applies to margins smaller than this


Progress = Callable[[str], None]
Start = Callable[[Factors], Floats | None]
"""Temperatures at the start for cars of some factors; None where they are as cold as the air."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """Results of the model for a trip.

    Attributes
    ----------
    nominal : Result
        The car as described on expected days: temperatures of every segment.
    spread : Result
        Margins of all draws; temperatures about every minute of the first batch.
    band_k : ndarray, shape (n_segment, n_body)
        Temperature not exceeded at the trip's confidence. [K]
    factors, shift_k : Factors and ndarray, shape (n_draw, n_day)
        The first batch of draws of `spread`: cars, and shifts of each day's air temperature. [K]
    mornings_k : tuple of ndarray, shape (1 + n_draw, n_body)
        Temperatures at the start of each day: of the car as described, then of every draw. [K]
    error_k : float
        Standard error of the margins at the trip's confidence, from the number of draws alone. [K]
    start_k : ndarray, shape (n_body,), or None
        Start temperatures of the car as described, None for a cold start. [K]
    lesson : Lesson or None
        Result of readings on the way; already applied to `car` and the weather.
    """

    route: Route
    car: VehicleFile
    nominal: Result
    spread: Result
    band_k: Floats
    factors: Factors
    shift_k: Floats
    mornings_k: tuple[Floats, ...]
    error_k: float
    start_k: Floats | None = None
    lesson: Lesson | None = None

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


def _batch(
    timeline: Timeline,
    car: VehicleFile,
    sd_k: Floats,
    number: int,
    rows: npt.NDArray[np.int64],
    start: Start,
) -> tuple[Factors, Floats, Result]:
    """Run one batch of draws: independently scrambled sets of the same size, seeded by its number."""
    first = SEED + number * (BATCH // SET)
    parts = [
        draw(SET, ambient_sd_k=sd_k, seed=first + i, posterior=car.spread, vehicle=car.vehicle)
        for i in range(BATCH // SET)
    ]
    factors = Factors(*(np.concatenate(columns) for columns in zip(*(part[0] for part in parts), strict=True)))
    shift = np.concatenate([part[1] for part in parts])
    start_k = start(factors)
    result = simulate(timeline.drive, car.vehicle, start_k=start_k, factors=factors, ambient_k=shift, record=rows)
    return factors, shift, result


def _off(timeline: Timeline, car: VehicleFile, number: int, result: Result) -> Result:
    """A batch of draws with the model error added."""
    return with_error(result, timeline.drive, car.vehicle, car.spread.discrepancy, seed=SEED + number)


def margin_error_k(margin_k: Floats, confidence: float) -> float:
    """Monte-Carlo error of the margins at a confidence, the largest of the small margins.

    Notes
    -----
    The quantiles of the sets vary with their scrambling; the error of the whole is their standard deviation over
    the square root of their number (randomised quasi-Monte Carlo, Owen 1997; from memory).

    Examples
    --------
    >>> draws = np.random.default_rng(0).normal(0.0, 10.0, (4096, 1, 1))
    >>> 0.2 < margin_error_k(draws, 0.9) < 0.4  # 10 sqrt(0.09 / 4096) / 0.175 = 0.27 for independent draws
    True
    """
    sets = margin_k.reshape(-1, SET, *margin_k.shape[1:])
    each = np.quantile(sets, 1.0 - confidence, axis=1)
    error = np.std(each, axis=0, ddof=1) / np.sqrt(len(each))
    return float(np.max(np.where(each.mean(axis=0) < _CLOSE_K, error, 0.0)))


def _first_morning_k(timeline: Timeline, start: Start, usual: Factors, factors: Factors) -> Floats:
    """Temperatures at the start, the car as described first. [K]."""
    n_draw, cold = len(factors.airflow), cold_start_k(timeline.drive)
    parts = (start(usual), start(factors))
    shapes = ((1, N_BODY), (n_draw, N_BODY))
    return np.vstack(
        [np.broadcast_to(cold if part is None else part, shape) for part, shape in zip(parts, shapes, strict=True)]
    )


def _mornings(nominal: Result, spread: Result, nights: list[int]) -> tuple[Floats, ...]:
    """Temperatures at the start of each later day, the car as described first. [K]."""
    return tuple(
        np.vstack((nominal.temps_k[:, row], spread.temps_k[:, np.searchsorted(spread.recorded, row)])) for row in nights
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
) -> Forecast:
    """Forecast a trip."""
    progress("choosing the road and the days")
    return forecast_route(open_route(trip, car.vehicle, known), car, start=start, progress=progress)


def forecast_route(
    route: Route, car: VehicleFile, *, start: Start = lambda _: None, progress: Progress = lambda _: None
) -> Forecast:
    """Forecast a given route."""
    if not is_compiled():
        progress("first run: compiling the thermal model for this processor, once, for about 10 s")
    progress("forecasting temperatures: first the car as described, then its uncertainty")
    timeline, confidence, usual = route.timeline, route.trip.confidence, medians(car.spread)
    rows = rows_along(timeline.drive)
    require_room(rows=len(rows), draws=BATCH, bodies=N_BODY, compiled=is_compiled())
    nominal = as_described(route, car, start)
    nights = [span.last for span in timeline.spans if span.kind == "night"]
    sd = ambient_sd_k(timeline)
    factors, shift, drawn = _batch(timeline, car, sd, 0, rows, start)
    mornings_k = (_first_morning_k(timeline, start, usual, factors), *_mornings(nominal, drawn, nights))
    spread = _off(timeline, car, 0, drawn)
    del drawn  # as large as the rest together
    margins = [spread.margin_k]
    while (error := margin_error_k(np.concatenate(margins), confidence)) > ERROR_K and len(margins) < BATCHES:
        progress(f"{len(margins) * BATCH} draws, sampling error {error:.1f} K; drawing more")
        more = _batch(timeline, car, sd, len(margins), rows, start)[2]
        margins.append(_off(timeline, car, len(margins), more).margin_k)
    spread = replace(spread, margin_k=np.concatenate(margins))
    highs = (np.quantile(spread.temps_k[:, :, node], confidence, axis=0) for node in range(N_BODY))  # each in a copy
    band = np.column_stack([np.interp(timeline.end_s, timeline.end_s[rows], high) for high in highs])
    start_k = start(usual)
    at_confidence = np.quantile(spread.margin_k, 1.0 - confidence, axis=0)
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
            margin_k=np.minimum(at_confidence, nominal.margin_k[0]),
        ),
        factors=factors,
        shift_k=shift,
        mornings_k=mornings_k,
        error_k=error,
        start_k=None if start_k is None else np.atleast_2d(start_k)[0],
    )


def first_margins_k(route: Route, car: VehicleFile, start: Start) -> Floats:
    """Margins of every leg and fluid at the trip's confidence, from the first batch only, for comparisons."""
    described = as_described(route, car, start).margin_k[0]
    line = route.timeline
    drawn = _off(line, car, 0, _batch(line, car, ambient_sd_k(line), 0, rows_along(line.drive), start)[2])
    return np.asarray(np.minimum(np.quantile(drawn.margin_k, 1.0 - route.trip.confidence, axis=0), described))


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
