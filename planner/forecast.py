"""The forecast: the trip's road, clock and car put through the thermal model, once as described and once spread."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt

from planner import clock
from planner.graph import choose_route
from planner.model import Leg, Trip
from planner.timeline import Span, Timeline, build_timeline
from thermal.simulate import Result, simulate
from thermal.spread import draw
from thermal.vehicle_file import VehicleFile

Floats = npt.NDArray[np.float64]
DRAWS = 256
_BAND_EVERY = 4  # segments between recorded points of the spread: about a mile
# Standard deviation of a day's temperature against its usual value, by month. ASSUMED after daily values at two New
# England stations and three typical-year files: 5.5 K winter and spring, 3.6 K summer, 4.5 K autumn.
_AMBIENT_SD_K = (5.5, 5.5, 5.5, 5.5, 5.5, 3.6, 3.6, 3.6, 4.5, 4.5, 4.5, 5.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """What the model says of a trip.

    Attributes
    ----------
    nominal : Result
        The car as described on the days expected: every segment's temperatures.
    spread : Result
        All draws: margins, and temperatures about every mile.
    band_k : ndarray, shape (n_segment, 6)
        Temperature not passed at the confidence asked for. [K]
    """

    trip: Trip
    car: VehicleFile
    legs: tuple[Leg, ...]
    timeline: Timeline
    nominal: Result
    spread: Result
    band_k: Floats


def ambient_sd_k(trip: Trip, n_day: int) -> Floats:
    """Standard deviation of the air temperature, per day of the trip.

    Parameters
    ----------
    trip : Trip
        Its departure gives the month. [-]
    n_day : int
        Number of days. [-]

    Returns
    -------
    ndarray, shape (n_day,)
        For entered usual highs and lows. [K]
    """
    return np.full(n_day, _AMBIENT_SD_K[trip.departure.month - 1])


def forecast(trip: Trip, car: VehicleFile, *, tell: Callable[[str], None] = lambda _: None) -> Forecast:
    """Forecast a trip.

    Parameters
    ----------
    trip : Trip
        The trip. [-]
    car : VehicleFile
        Its car. [-]
    tell : callable
        Receives a sentence before each slow part. [-]

    Returns
    -------
    Forecast
        Route, clock, temperatures and margins.

    Raises
    ------
    NoRouteError
        If there is no road, or no split into days.
    """
    tell("choosing the road and the days")
    legs = choose_route(trip)
    timeline = build_timeline(trip, legs, car.vehicle)
    tell("forecasting temperatures, the car as described")
    nominal = simulate(timeline.drive, car.vehicle)
    tell(f"forecasting the spread, {DRAWS} draws")
    factors, shift = draw(DRAWS, ambient_sd_k=ambient_sd_k(trip, len(timeline.days)))
    rows = np.unique(np.append(np.arange(0, len(timeline.end_s), _BAND_EVERY), len(timeline.end_s) - 1))
    spread = simulate(timeline.drive, car.vehicle, factors=factors, ambient_k=shift, record=rows)
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
    )


def span_of(outlook: Forecast, leg: int) -> Span:
    """Run of segments in which a leg is driven.

    Parameters
    ----------
    outlook : Forecast
        The forecast. [-]
    leg : int
        Position in the route. [-]

    Returns
    -------
    Span
        The run.
    """
    return next(s for s in outlook.timeline.spans if s.kind == "drive" and s.leg == leg)


def local_time(outlook: Forecast, segment: int, *, begin: bool = False) -> datetime:
    """Wall clock at a segment's end or beginning, in the zone of where it ends.

    Parameters
    ----------
    outlook : Forecast
        The forecast. [-]
    segment : int
        The segment. [-]
    begin : bool
        Its beginning instead. [-]

    Returns
    -------
    datetime
        Aware.
    """
    line = outlook.timeline
    seconds = line.begin_s[segment] if begin else line.end_s[segment]
    zone = clock.zone_of(float(line.lat_deg[segment]), float(line.lon_deg[segment]))
    return clock.to_local(datetime.fromtimestamp(float(seconds), tz=UTC), zone)
