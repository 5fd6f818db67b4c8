"""The trip, or some days of it, driven again with something changed."""

from dataclasses import fields, replace

import numpy as np

from planner.analysis.margins import columns_of
from planner.analysis.rerun import FEWEST, few_draws, from_rest, kept_on
from planner.forecast.kept import Kept, keep_least
from planner.forecast.run import Forecast, days_of_legs
from planner.route.timeline import Timeline
from thermal.discrepancy import Conditions
from thermal.drive import Drive
from thermal.error_path import margins_with_error, rows_along
from thermal.kernel import Factors
from thermal.ranges import FloatArray as Floats
from thermal.simulate import make_ready, simulate
from thermal.vehicle import Vehicle


def as_planned(outlook: Forecast) -> Kept:
    """Smallest margins over the whole trip as planned, by fluid of the car."""
    were, day = outlook.spread.were_k[:, :, columns_of(outlook)], days_of_legs(outlook.timeline)
    return keep_least(were, day, outlook.sample, outlook.trip.confidence)


def run_trip(outlook: Forecast, line: Timeline, vehicle: Vehicle, base: Kept, around: Conditions | None) -> Kept:
    """Drive the whole trip again by the same legs, laid out otherwise or with another car; `base` as planned.

    `around` has what `conditions_of` gives for it, or None. Chances of passing limits are not worked out.
    """
    few, air = few_draws(outlook, slice(0, FEWEST))
    morning = None if outlook.start_k is None else outlook.mornings_k[0]
    were = _run_days(outlook, line.drive, vehicle, few, air, morning, first=0, around=around)
    planned = outlook.spread.were_k[:FEWEST][:, :, columns_of(outlook)]
    return kept_on(outlook, were, days_of_legs(line), before=(planned, base), chances=False)


def run_stretch(outlook: Forecast, line: Timeline, legs: slice, n_draw: int | None = None) -> Kept:
    """Drive some legs of a trip by other legs, from the morning of the day of the first.

    After a night a car has forgotten the day before: it begins as on the plan's morning at the same place, or where
    there is none as cold as the air. Legs that the plan does not have cannot be compared leg by leg: the first `n_draw`
    draws are driven, every one of the first batch when not given.
    """
    first, last = (next(n for n, day in enumerate(line.days) if day.last >= leg) for leg in (legs.start, legs.stop - 1))
    rows = (line.drive.day >= first) & (line.drive.day <= last)
    drive = Drive(**{item.name: getattr(line.drive, item.name)[rows] for item in fields(line.drive)})
    if first > 0:
        drive = from_rest(drive, 0.0, float(drive.air_k[0]))
    drive = replace(drive, day=drive.day - first)
    mornings = zip(outlook.timeline.days, outlook.mornings_k, strict=True)
    morning = next((temps for day, temps in mornings if day.first == line.days[first].first), None)
    if first == 0 and outlook.start_k is None:
        morning = None
    factors, air = few_draws(outlook, slice(0, n_draw))
    were = _run_days(outlook, drive, outlook.car.vehicle, factors, air, morning, first=first, first_leg=legs.start)
    sample = outlook.sample.first(len(were))
    return keep_least(were[:, legs], days_of_legs(line)[legs], sample, outlook.trip.confidence)


def _run_days(
    outlook: Forecast,
    drive: Drive,
    vehicle: Vehicle,
    factors: Factors,
    shift_k: Floats,
    morning_k: Floats | None,
    *,
    first: int,
    first_leg: int = 0,
    around: Conditions | None = None,
) -> Floats:
    """Drive from the morning of a day on; margins by draw, leg, fluid of the car and size of the error. [K].

    `morning_k` is as in `Forecast.mornings_k`; None for cars as cold as the air. Margins of legs before `first_leg` are
    not looked for. Some draws at a time, for the memory that their temperatures take.
    """
    day = np.minimum(first + np.arange(int(drive.day.max()) + 1), shift_k.shape[1] - 1)
    rows, begin = rows_along(drive), int(np.argmax(drive.group >= first_leg))
    ready, known, found = make_ready(drive, vehicle), outlook.car.spread.discrepancy, []
    for at in range(0, len(shift_k), FEWEST):
        part = slice(at, min(at + FEWEST, len(shift_k)))
        result = simulate(
            drive,
            vehicle,
            start_k=None if morning_k is None else morning_k[1:][part],
            factors=Factors(*(column[part] for column in factors)),
            ambient_k=shift_k[part][:, day],
            record=rows,
            ready=ready,
        )
        were = margins_with_error(result, drive, vehicle, known, begin=begin, around=around)
        found.append(were[:, :, columns_of(outlook)])
        del result, were
    return np.concatenate(found)
