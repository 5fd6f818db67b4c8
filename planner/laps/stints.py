"""Shared data of a session's runs, and their simulation with every draw."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import time

import numpy as np

from planner.files.sessionfile import LapNumbers, Setup
from planner.forecast.assemble import Inputs, find_route, taught
from planner.laps.lap import Trace, trace_of_numbers, trace_of_table
from planner.laps.site import Site, make_site
from planner.model.errors import NoRouteError
from planner.route.timeline import Route
from planner.weather.expected import grille_rise_k
from thermal.discrepancy import Discrepancy
from thermal.drive import Drive
from thermal.error_path import with_error
from thermal.fluids import ROTORS, fluids_in
from thermal.kernel import Factors
from thermal.ranges import FloatArray as Floats
from thermal.simulate import Result, simulate
from thermal.spread import SEED, draw, medians
from thermal.vehicle import Vehicle

Piece = dict[str, Floats]
DRAWS = 128
ROTOR = "rotors"
# ASSUMED: rotor temperature from which pads fade. Street 350 to 450 degC, fast-road 450 to 550, track 550 and more;
# common practice, no source. The model's rotor is one body: its face is hotter during a stop.
PAD_LIMIT_K = {"street": 623.15, "fast-road": 723.15, "track": 823.15}
ROTOR_BAND_K = 50.0
_WARM_UP_S, _WARM_UP_M_PER_S = 1200.0, 50.0 / 3.6  # ASSUMED: the car is driven gently for 20 min before
_PIT_STEP_S = 60.0
_MOST_LAPS, _LONGEST_S = 60, 5400.0
_AGAIN_K, _AGAIN_ROTORS_K = 1.0, 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """Data shared by the runs; row 0 of `factors` and `shift_k` is the car as described."""

    setup: Setup
    site: Site
    vehicle: Vehicle
    lap: Trace
    factors: Factors
    shift_k: Floats
    discrepancy: Discrepancy
    confidence: float
    band_k: float

    @property
    def parts(self) -> tuple[str, ...]:
        """Monitored parts: the car's fluids and the front rotors."""
        return (*(fluid.key for fluid in fluids_in(self.vehicle)), ROTOR)

    @property
    def bands_k(self) -> Floats:
        """Thin band of every part. [K]."""
        return np.array([ROTOR_BAND_K if part == ROTOR else self.band_k for part in self.parts])

    @property
    def again_k(self) -> Floats:
        """Margins with which laps can be driven again: the thin bands less 1 K, 5 K for rotors.

        Without the allowance a lap count that just passes once would never pass again.
        """
        return self.bands_k - np.where(np.array(self.parts) == ROTOR, _AGAIN_ROTORS_K, _AGAIN_K)

    @property
    def tried_laps(self) -> int:
        """Maximum laps simulated: 90 minutes, 3 to 60, at least those planned."""
        back = self.setup.back_m_per_s
        lap_s = self.lap.time_s + self.setup.wait_s + (0.0 if back is None else self.lap.length_m / back)
        return int(np.clip(round(_LONGEST_S / lap_s), max(3, self.setup.laps), _MOST_LAPS + self.setup.laps))

    def run(self, pieces: Sequence[Piece], start_k: Floats | None = None) -> tuple[Drive, Result]:
        """Simulate pieces with every draw, from given temperatures, shape (1 + n_draw, n_body), or the air's. [K]."""
        drive = self.drive(pieces)
        return drive, simulate(drive, self.vehicle, start_k=start_k, factors=self.factors, ambient_k=self.shift_k)

    def drive(self, pieces: Sequence[Piece]) -> Drive:
        """Join pieces into a drive, with elevations from the grades."""
        c = {name: np.concatenate([piece[name] for piece in pieces]) for name in pieces[0]}
        rises = c.pop("rises_m")
        flat = np.zeros(len(rises))
        return Drive(
            **c,
            elevation_m=self.site.elevation_m + np.cumsum(rises) - 0.5 * rises,
            headwind_m_per_s=flat,
            idle_share=flat,
            ac_on=flat,
            day=flat,
            low_gear=np.where(c["speed_m_per_s"] > 0.0, 1.0, 0.0),
        )

    def margins_k(self, drive: Drive, result: Result) -> Floats:
        """Smallest margin of every draw by group from 0, shape (1 + n_draw, n_group, n_part); rotors' to pad fade."""
        result = with_error(result, drive, self.vehicle, self.discrepancy, seed=SEED, plain=1, steady=True)
        starts = np.flatnonzero(np.diff(drive.group, prepend=-1.0))
        hot = np.maximum.reduceat(result.temps_k[:, :, ROTORS], starts, axis=1)
        rotors = PAD_LIMIT_K[self.setup.pads] - hot
        columns = [fluid.index for fluid in fluids_in(self.vehicle)]
        return np.concatenate((result.margin_k[:, :, columns], rotors[:, :, None]), axis=2)

    def kept_k(self, margins: Floats) -> Floats:
        """Margin at the confidence level, at most that of the car as described; draws are the first axis. [K]."""
        return np.asarray(np.minimum(np.quantile(margins[1:], 1.0 - self.confidence, axis=0), margins[0]))


def make_case(setup: Setup, inputs: Inputs, *, draws: int = DRAWS) -> Case:
    """Prepare the data that the runs share."""
    inputs, route = _on_route(inputs)
    trip, vehicle, posterior = inputs.trip, inputs.car.vehicle, inputs.car.spread
    trailer, cooling = vehicle.trailer, vehicle.cooling
    share = max(cooling.airflow_share * setup.airflow, 0.2)
    alone = replace(
        vehicle,
        trailer=replace(trailer, mass_kg=0.0, drag_area_m2=0.0),
        cooling=replace(cooling, airflow_share=min(share, 1.2)),
    )
    site = make_site(setup, inputs, route)
    air_k = site.air_k(setup.first)
    if isinstance(setup.lap, LapNumbers):
        lap = trace_of_numbers(setup.lap, alone, elevation_m=site.elevation_m, air_k=air_k)
    else:
        lap = trace_of_table(setup.lap)
    factors, shift = draw(draws, ambient_sd_k=np.array([site.sd_k]), posterior=posterior)
    return Case(
        setup=setup,
        site=site,
        vehicle=alone,
        lap=lap,
        factors=Factors(*(np.concatenate(pair) for pair in zip(medians(posterior), factors, strict=True))),
        shift_k=np.vstack((np.zeros((1, 1)), shift)),
        discrepancy=posterior.discrepancy,
        confidence=trip.confidence,
        band_k=trip.thin_band_k,
    )


def _on_route(inputs: Inputs) -> tuple[Inputs, Route | None]:
    """The trip's road, for weather and readings; None if its days cannot be planned."""
    try:
        known = taught(inputs)
        return known, find_route(known)
    except NoRouteError:
        return inputs, None


@dataclass(frozen=True, slots=True)
class Layout:
    """Pieces of a case's drives at one hour's air and sun; each method lays out rows of a group."""

    case: Case
    at: time

    def warm_up(self) -> list[Piece]:
        """Lay out the gentle drive to the course and a minute idling at its gate, group 0."""
        n = round(_WARM_UP_S / 10.0)
        flat = np.full(n, _WARM_UP_M_PER_S)
        trace = Trace(
            duration_s=np.full(n, 10.0),
            speed_m_per_s=flat,
            end_m_per_s=np.append(flat[1:], 0.0),
            grade=np.zeros(n),
            begin_m_per_s=_WARM_UP_M_PER_S,
        )
        return [self._driven(0, trace), *self.pit(0, duration_s=60.0, engine_on=True)]

    def out_lap(self, group: int) -> list[Piece]:
        """Lay out the out-lap; a road that is not a loop has none."""
        if self.case.setup.back_m_per_s is not None:
            return []
        return [self._driven(group, self.case.lap.at_share(self.case.setup.out_lap))]

    def laps(self, groups: Sequence[int]) -> list[Piece]:
        """Lay out one lap a group, or one run with the way back and the wait at the start."""
        setup, lap, pieces = self.case.setup, self.case.lap, []
        for group in groups:
            pieces.append(self._driven(group, lap))
            if setup.back_m_per_s is not None:
                pieces.append(self._driven(group, lap.back(setup.back_m_per_s)))
            if setup.wait_s > 0.0:
                pieces += self.pit(group, duration_s=setup.wait_s, engine_on=True)
        return pieces

    def from_road(self, count: int) -> list[Piece]:
        """Lay out warm-up, out-lap and so many laps; the laps' groups count from 1."""
        return [*self.warm_up(), *self.out_lap(0), *self.laps(range(1, count + 1))]

    def in_lap(self, group: int) -> list[Piece]:
        """Lay out the in-lap to a stop in the pit; a road that is not a loop has none."""
        if self.case.setup.back_m_per_s is not None:
            return []
        slow = self.case.lap.at_share(self.case.setup.in_lap)
        return [self._driven(group, replace(slow, end_m_per_s=np.append(slow.end_m_per_s[:-1], 0.0)))]

    def pit(self, group: int, *, duration_s: float, engine_on: bool) -> list[Piece]:
        """Lay out time parked by the minute: idling with fan, or engine off."""
        whole = int(duration_s // _PIT_STEP_S)
        rest = duration_s - whole * _PIT_STEP_S
        steps = [_PIT_STEP_S] * whole + ([rest] if rest > 1e-6 else [])
        still = np.zeros(len(steps))
        rows = dict.fromkeys(("speed_m_per_s", "end_speed_m_per_s", "grade", "rises_m"), still)
        return [self._piece(group, rows | {"duration_s": np.asarray(steps)}, engine_on=engine_on)]

    def _driven(self, group: int, trace: Trace) -> Piece:
        rows = {"duration_s": trace.duration_s, "speed_m_per_s": trace.speed_m_per_s}
        rows |= {"end_speed_m_per_s": trace.end_m_per_s, "grade": trace.grade, "rises_m": trace.rises_m}
        return self._piece(group, rows, engine_on=True)

    def _piece(self, group: int, rows: Piece, *, engine_on: bool) -> Piece:
        """Rows with the air and sun of the hour."""
        site, speed = self.case.site, rows["speed_m_per_s"]
        air_k, flat = site.air_k(self.at), np.ones(len(speed))
        return rows | {
            "air_k": air_k * flat,
            "dew_k": site.dew_k(self.at) * flat,
            "road_rise_k": grille_rise_k(site.sun_w_per_m2(self.at) * flat, speed),
            "engine_on": float(engine_on) * flat,
            "group": group * flat,
        }
