"""The forecast: the trip's road, clock and car put through the thermal model, once as described and once spread."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import numpy.typing as npt

from planner.model import clock
from planner.model.errors import NoRouteError
from planner.model.trip import Leg, Place, Trip
from planner.route.graph import choose_route
from planner.route.timeline import Span, Timeline, build_timeline
from planner.weather.outlook import NOTHING, Known
from planner.weather.spread import day_sd_k
from thermal.kernel import Factors
from thermal.simulate import Result, cold_start_k, simulate
from thermal.spread import SEED, draw, medians
from thermal.vehicle import Vehicle
from thermal.vehicle_file import VehicleFile

Floats = npt.NDArray[np.float64]
SET, BATCH, BATCHES = 32, 256, 4  # draws in a scrambled set, in a batch, and the most batches
ERROR_K = 0.3  # more are drawn until the margin at the trip's confidence is known this well
_BAND_EVERY = 4  # segments between recorded points of the spread: about a mile
_MOST_CLOSED = 20
_CLOSE_K = 20.0  # only margins smaller than this need be known that well


Begin = Callable[[Factors], Floats | None]
"""Temperatures at the start for cars of some factors; None where they are as cold as the air."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """What the model says of a trip.

    Attributes
    ----------
    nominal : Result
        The car as described on the days expected: every segment's temperatures.
    spread : Result
        Margins of all draws; temperatures about every mile of the first batch.
    band_k : ndarray, shape (n_segment, 6)
        Temperature not passed at the confidence asked for. [K]
    factors, shift_k : Factors and ndarray, shape (n_draw, n_day)
        The first batch of draws behind `spread`: cars, and shifts of each day's air temperature. [K]
    mornings_k : tuple of ndarray, shape (1 + n_draw, 6)
        Temperatures at the start of each day: of the car as described, then of every draw. [K]
    error_k : float
        Standard error of the margins at the trip's confidence, from the number of draws alone. [K]
    known : Known
        Weather used beyond the places' usual highs and lows.
    start_k : ndarray, shape (6,), or None
        Temperatures at the start of the car as described, where it does not start cold. [K]
    """

    trip: Trip
    car: VehicleFile
    legs: tuple[Leg, ...]
    timeline: Timeline
    nominal: Result
    spread: Result
    band_k: Floats
    factors: Factors
    shift_k: Floats
    mornings_k: tuple[Floats, ...]
    error_k: float
    known: Known
    start_k: Floats | None = None


def _batch(
    timeline: Timeline,
    car: VehicleFile,
    sd_k: Floats,
    number: int,
    rows: npt.NDArray[np.int64],
    begin: "Begin",
) -> tuple[Factors, Floats, Result]:
    """Run one batch of draws: independently scrambled sets of the same size, seeded by its number."""
    first = SEED + number * (BATCH // SET)
    parts = [draw(SET, ambient_sd_k=sd_k, seed=first + i, learnt=car.spread) for i in range(BATCH // SET)]
    factors = Factors(*(np.concatenate(columns) for columns in zip(*(part[0] for part in parts), strict=True)))
    shift = np.concatenate([part[1] for part in parts])
    start_k = begin(factors)
    result = simulate(timeline.drive, car.vehicle, start_k=start_k, factors=factors, ambient_k=shift, record=rows)
    return factors, shift, result


def margin_error_k(margin_k: Floats, confidence: float) -> float:
    """Monte-Carlo error of the margins at a confidence, the largest among those that are close.

    Notes
    -----
    The sets' own quantiles scatter as their scrambling does; the error of the whole is their standard deviation over
    the root of their number (randomised quasi-Monte Carlo, Owen 1997; from memory).

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


def _open_roads(trip: Trip, vehicle: Vehicle, known: Known) -> tuple[Trip, tuple[Leg, ...], Timeline]:
    """Choose a route whose seasonal roads are open on the day each is driven; closed ones are left out and said so."""
    told: list[str] = []
    while len(told) <= _MOST_CLOSED:
        try:
            legs = choose_route(trip)
        except NoRouteError as exc:
            message = " ".join([*told, str(exc)])
            raise NoRouteError(message) from exc
        timeline = build_timeline(trip, legs, vehicle, known)
        shut = [span for span in timeline.spans if span.kind == "drive" and not timeline.is_open(span)]
        if not shut:
            return trip, legs, timeline
        leg = legs[shut[0].leg]
        a, b = trip.places[leg.start].name, trip.places[leg.finish].name
        said = (
            f"{leg.road or 'The road'} from {a} to {b} is closed on the day it would be driven; see 'open' in the legs."
        )
        if trip.explicit:
            raise NoRouteError(said)
        ways = {(leg.start, leg.finish, leg.road), (leg.finish, leg.start, leg.road)}
        others = tuple(one for one in trip.legs if (one.start, one.finish, one.road) not in ways)
        told.append(said)
        trip = replace(trip, legs=others, assumptions=(*trip.assumptions, said))
    message = f"more than {_MOST_CLOSED} roads are closed on the day they would be driven; see 'open' in the legs"
    raise NoRouteError(message)


def _first_morning_k(timeline: Timeline, begin: Begin, usual: Factors, factors: Factors) -> Floats:
    """Temperatures at the start, the car as described first. [K]."""
    n_draw, cold = len(factors.airflow), cold_start_k(timeline.drive)
    parts = (begin(usual), begin(factors))
    shapes = ((1, 6), (n_draw, 6))
    return np.vstack(
        [np.broadcast_to(cold if part is None else part, shape) for part, shape in zip(parts, shapes, strict=True)]
    )


def _mornings(nominal: Result, spread: Result, nights: list[int]) -> tuple[Floats, ...]:
    """Temperatures at the start of each later day, the car as described first. [K]."""
    return tuple(
        np.vstack((nominal.temps_k[:, row], spread.temps_k[:, np.searchsorted(spread.recorded, row)])) for row in nights
    )


def ambient_sd_k(timeline: Timeline) -> Floats:
    """Standard deviation of the air temperature of every day, by where it comes from."""
    driven = np.where(timeline.drive.speed_m_per_s > 0.0, timeline.drive.duration_s, 0.0)
    return day_sd_k(timeline.air_sd_k, day=timeline.drive.day, weight=driven, n_day=len(timeline.days))


def forecast(
    trip: Trip,
    car: VehicleFile,
    *,
    known: Known = NOTHING,
    begin: Begin = lambda _: None,
    tell: Callable[[str], None] = lambda _: None,
) -> Forecast:
    """Forecast a trip."""
    tell("choosing the road and the days")
    trip, legs, timeline = _open_roads(trip, car.vehicle, known)
    tell("forecasting temperatures, the car as described, then its spread")
    usual = medians(car.spread)
    start_k = begin(usual)
    nominal = simulate(timeline.drive, car.vehicle, start_k=start_k, factors=usual)
    nights = [span.last for span in timeline.spans if span.kind == "night"]
    regular = np.arange(0, len(timeline.end_s), _BAND_EVERY)
    rows = np.unique(np.concatenate((regular, nights, [len(timeline.end_s) - 1]))).astype(np.int64)
    sd = ambient_sd_k(timeline)
    factors, shift, spread = _batch(timeline, car, sd, 0, rows, begin)
    margins = [spread.margin_k]
    while (error := margin_error_k(np.concatenate(margins), trip.confidence)) > ERROR_K and len(margins) < BATCHES:
        tell(f"{len(margins) * BATCH} draws, margins known to {error:.1f} K; drawing more")
        margins.append(_batch(timeline, car, sd, len(margins), rows[:1], begin)[2].margin_k)
    spread = replace(spread, margin_k=np.concatenate(margins))
    high = np.quantile(spread.temps_k, trip.confidence, axis=0)
    band = np.column_stack([np.interp(timeline.end_s, timeline.end_s[rows], high[:, node]) for node in range(6)])
    return Forecast(
        trip=trip,
        car=car,
        legs=legs,
        timeline=timeline,
        nominal=nominal,
        spread=spread,
        band_k=np.maximum(band, nominal.temps_k[0]),
        factors=factors,
        shift_k=shift,
        mornings_k=(_first_morning_k(timeline, begin, usual, factors), *_mornings(nominal, spread, nights)),
        error_k=error,
        known=known,
        start_k=None if start_k is None else np.atleast_2d(start_k)[0],
    )


def span_of(outlook: Forecast, leg: int) -> Span:
    """Run of segments in which a leg is driven."""
    return next(s for s in outlook.timeline.spans if s.kind == "drive" and s.leg == leg)


def local_time(outlook: Forecast, segment: int, *, begin: bool = False) -> datetime:
    """Wall clock at a segment's end or beginning, in the zone of where it ends."""
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
