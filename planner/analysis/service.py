"""Service that falls due on the trip, where to have it done, and what to carry."""

from dataclasses import dataclass

import numpy as np

from planner.forecast.run import Forecast
from planner.model.trip import ServiceItem, Trip
from planner.route.graph import stops_of
from planner.route.timeline import Span
from thermal.fluids import fluid_of
from thermal.ranges import FloatArray as Floats
from thermal.vehicle import Vehicle

_MILE_M, _MONTH_S = 1609.344, 30.44 * 86400.0
# Ageing doubles per step above a temperature. Folklore, not a standard: automatic fluid 175 degF and 20 degF as passed
# on by rebuilders; oils the "rule of ten" with 12 K. Never below 1: cool running is not credited.
_AGEING_K = {"engine_oil": (373.15, 12.0), "transmission": (352.59, 11.1), "differential": (363.15, 12.0)}
_DONE_AT = frozenset({"workshop"})
# Interval for towing, mountains and heat; common practice, no source. The maker's book comes first.
USUAL = (
    ServiceItem(item="engine oil and filter", every_m=4500.0 * _MILE_M, fluid="engine_oil"),
    ServiceItem(item="transmission fluid", every_m=30_000.0 * _MILE_M, fluid="transmission"),
    ServiceItem(item="differential oil", every_m=30_000.0 * _MILE_M, fluid="differential"),
    ServiceItem(item="brake fluid", every_m=60_000.0 * _MILE_M, months=24.0),
    ServiceItem(item="coolant", every_m=60_000.0 * _MILE_M, months=36.0),
    ServiceItem(item="air filter inspection", every_m=3000.0 * _MILE_M),
    ServiceItem(item="wheel nut torque, hitch and lights", every_m=500.0 * _MILE_M),
    ServiceItem(item="brake pads and hoses inspection", every_m=2000.0 * _MILE_M),
    ServiceItem(item="belts and hoses inspection", every_m=2000.0 * _MILE_M),
)
# Due after every day of hard use; common practice, no source. The maker's book and the scrutineers come first.
AFTER_SESSION = (
    "engine oil and filter",
    "brake fluid",
    "brake pads, rotors and hoses inspection",
    "wheel nut torque, tyre inspection",
    "belts, hoses and all fluid levels check",
)
_ONCE_M = 1e9  # an interval so long that a job falls due once
_NEAR_M = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """One job on the way."""

    item: str
    at_m: float
    leg: int
    place: str
    ageing: float
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ServicePlan:
    """Jobs in driving order, jobs that do not fall due, things to carry."""

    due: tuple[Due, ...]
    clear: tuple[str, ...]
    carry: tuple[str, ...]
    assumed: bool


def plan_service(outlook: Forecast) -> ServicePlan:
    """Find the jobs that fall due, each with the last suitable place before."""
    items, _ = service_of(outlook.trip)
    due: list[Due] = []
    clear = []
    for item in (*items, *_after_session(outlook)):
        found = _due(outlook, item)
        due += found
        if not found:
            clear.append(item.item)
    return ServicePlan(
        due=tuple(sorted(due, key=lambda job: (job.at_m, job.item))),
        clear=tuple(clear),
        carry=carry(outlook.car.vehicle),
        assumed=not outlook.trip.service,
    )


def service_of(trip: Trip) -> tuple[tuple[ServiceItem, ...], tuple[str, ...]]:
    """Service items of a trip."""
    if trip.service:
        return trip.service, ()
    return USUAL, ("Service: common-practice intervals, all assumed done just before the trip's start.",)


def _after_session(outlook: Forecast) -> tuple[ServiceItem, ...]:
    """Jobs due after a session on the way, at the first workshop from its place on."""
    session, stops = outlook.trip.session, stops_of(outlook.legs)
    if session is None or session.place not in stops:
        return ()
    position = stops.index(session.place)
    shops = [i for i in range(position, len(stops)) if "workshop" in outlook.trip.places[stops[i]].services]
    before = outlook.legs[: shops[0] if shops else position]
    at_m = sum(leg.distance_m for leg in before if not leg.carried)
    since_m = _ONCE_M - max(at_m - _NEAR_M, 0.0)
    return tuple(
        ServiceItem(item=f"after the session: {job}", every_m=_ONCE_M, since_m=since_m) for job in AFTER_SESSION
    )


def ageing(temp_k: Floats, fluid: str) -> Floats:
    """Rate at which a fluid ages relative to ordinary running.

    2^((T - T0) / step). Folklore: the published mileage lists round and do not follow it exactly.

    >>> ageing(np.array([352.59, 363.69]), "transmission")
    array([1., 2.])
    """
    reference, step = _AGEING_K[fluid]
    return np.asarray(2.0 ** np.maximum((temp_k - reference) / step, 0.0))


def _due(outlook: Forecast, item: ServiceItem) -> list[Due]:
    """Every time one job falls due on the trip; each interval begins where the job was last done."""
    line = outlook.timeline
    length = np.diff(np.concatenate(([0.0], line.end_m))) * _driven(outlook)
    rate = np.ones_like(length)
    if item.fluid in _AGEING_K:
        rate = ageing(outlook.nominal.temps_k[0, :, fluid_of(item.fluid).node], item.fluid)
    used = np.cumsum(length * rate)
    months = (line.end_s - line.begin_s[0]) / _MONTH_S
    mean = float(used[-1] / max(np.sum(length), 1.0))
    jobs: list[Due] = []
    since_m, since_months, after = item.since_m, item.since_months, -1
    while (mark := _mark(item, since_m + used, since_months + months)) is not None:
        chosen = _where(outlook, mark, after)
        if chosen is None:
            break
        jobs.append(_job(outlook, item, mark, chosen, mean))
        after = chosen.last
        since_m, since_months = -float(used[after]), -float(months[after])
    return jobs


def _driven(outlook: Forecast) -> Floats:
    """1 for segments of driven legs, 0 aboard a ferry or train, where nothing wears."""
    return np.array([0.0 if leg.carried else 1.0 for leg in outlook.legs])[outlook.timeline.drive.group.astype(np.intp)]


def _mark(item: ServiceItem, used_m: Floats, months: Floats) -> int | None:
    """Segment in which a job falls due, by distance or by time, whichever comes first."""
    over = ((used_m >= item.every_m) & (item.every_m > 0.0)) | ((months >= item.months) & (item.months > 0.0))
    return int(np.argmax(over)) if over.any() else None


def _where(outlook: Forecast, mark: int, after: int) -> Span | None:
    """Last workshop or night before a job falls due, else the first after it, else the last place."""
    line, places = outlook.timeline, outlook.trip.places
    nights = {span.leg for span in line.spans if span.kind == "night"}
    ends = [span for span in line.spans if span.on_road and span.last > after]
    fits = [span for span in ends if span.leg in nights or places[span.place].services & _DONE_AT]
    for choice in (fits, ends):
        before = [span for span in choice if span.last <= mark]
        if choice:
            return before[-1] if before else choice[0]
    return None


def _job(outlook: Forecast, item: ServiceItem, mark: int, chosen: Span, mean: float) -> Due:
    hot = f"; hot running ages it {mean:.1f} times as fast (folklore)" if mean > 1.1 else ""
    return Due(
        item=item.item,
        at_m=float(outlook.timeline.end_m[mark]),
        leg=chosen.leg,
        place=chosen.place,
        ageing=mean,
        words=f"{item.item} at {outlook.trip.places[chosen.place].name}{hot}",
    )


def carry(vehicle: Vehicle) -> tuple[str, ...]:
    """List what to carry for this car; common practice, no source."""
    gearbox = (
        "automatic transmission fluid, 2 L" if vehicle.gearbox.kind == "automatic" else "gearbox oil, 1 L, and a pump"
    )
    trailer = ("trailer bearing grease, spare trailer tyre",) if vehicle.trailer.mass_kg > 0.0 else ()
    return (
        "engine oil, 2 L of the grade in the car",
        "coolant ready mixed, 5 L, and a spare cap",
        gearbox,
        "brake fluid, one sealed bottle",
        "drive belt, coolant hose and tape, hose clamps, fuses, bulbs",
        "tyre gauge, jack, wheel wrench, torque wrench",
        "warning triangle, vests, fire extinguisher, gloves, a cloth for the cap",
        "drinking water, 4 L a person for each desert day",
        *trailer,
    )
