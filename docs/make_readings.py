"""Compare what readings.csv teaches with cars of another structure: python docs/make_readings.py [--cars N] [--write].

The cars (tests/shared/other_car.py) share no physics with the model. Each drives the long example as planned, in air of
its own on every day. At a few places of days 1 to 5 gauges with errors of their own are read; days 6 to 9 are forecast.
Prints the tables of docs/readings.md, and writes that page with --write.
"""

import argparse
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from typing import NamedTuple

import basics
import numpy as np
import numpy.typing as npt
from cars import read_class
from other_car import C0, OtherCar, draw_car, true_k

from planner.files.folder import example_folder
from planner.forecast.assemble import read_inputs
from planner.forecast.run import ambient_sd_k
from planner.route.timeline import Timeline, open_route
from thermal.drive import Drive
from thermal.error_path import rows_along, with_error
from thermal.posterior import NOTHING, Posterior
from thermal.simulate import limits_k, simulate
from thermal.spread import draw, medians
from thermal.taught import AIR, Observation, teach
from thermal.vehicle import Vehicle

Floats = npt.NDArray[np.float64]
OWNERS = ("estate-1990s-six", "saloon-1980s-v8-automatic")
FLUIDS = ("coolant", "engine_oil", "transmission", "differential")
COUNTS = (1, 2, 4, 8)
READ_DAYS, FIRST, LAST = 5, 5, 8  # days read, and days forecast; counted from 0
WARM_S, DRAWS, THIN_K, CONFIDENCE = 1800.0, 64, 8.0, 0.9
HOTTER_K = 8.0  # the air of every day than usual, known to the forecast: else hardly a margin comes near its limit
EYE_K = 1.5  # ASSUMED: a needle read from the driver's seat, 1 to 3 K


class Owner(NamedTuple):
    """One class on the road: the timed drive, the days ahead, their limits, and the forecast without readings."""

    vehicle: Vehicle
    line: Timeline
    sd_k: Floats
    ahead: Drive
    rows: npt.NDArray[np.int64]
    legs: tuple[tuple[int, int], ...]
    limit_k: Floats


class Score(NamedTuple):
    """One forecast of the legs ahead beside what the car did, shape (n_leg, 4): margins [K], and whether it held."""

    best_k: Floats
    kept_k: Floats
    held: npt.NDArray[np.bool_]
    true_k: Floats


@cache
def owner(name: str) -> Owner:
    """One class on the long example's road, as planned."""
    inputs = read_inputs(example_folder("wilmington-astoria"))
    vehicle = read_class(name).vehicle
    line = open_route(inputs.trip, vehicle, inputs.known).timeline
    line = replace(line, drive=replace(line.drive, air_k=line.drive.air_k + HOTTER_K))
    rows = np.flatnonzero((line.drive.day >= FIRST) & (line.drive.day <= LAST))
    ahead = line.drive.take(rows)
    first = rows[0]
    spans = [s for s in line.spans if s.kind == "drive" and FIRST <= s.day <= LAST]
    return Owner(
        vehicle=vehicle,
        line=line,
        sd_k=ambient_sd_k(line),
        ahead=replace(ahead, day=ahead.day - FIRST, group=ahead.group - ahead.group.min()),
        rows=rows,
        legs=tuple((int(s.first - first), int(s.last - first) + 1) for s in spans),
        limit_k=limits_k(vehicle, ahead.elevation_m)[:, : len(FLUIDS)],
    )


def driven_k(who: Owner, one: OtherCar, day: int, shift_k: float, seed: int) -> tuple[npt.NDArray[np.int64], Floats]:
    """Rows of one day's driving, and that car's four fluids at their ends. [K]"""
    drive = who.line.drive
    rows = np.flatnonzero(drive.day == day)
    last = np.flatnonzero(drive.speed_m_per_s[rows] > 0.0)[-1]
    rows = rows[: last + 1]
    part = drive.take(rows)
    part = replace(part, air_k=part.air_k + shift_k)
    return rows, true_k(one, part, np.cumsum(part.duration_s), seed=seed)


def readings_of(who: Owner, one: OtherCar, air_k: Floats, seed: int) -> list[list[Observation]]:
    """Eight places of days 1 to 5 in random order, each with the readings of four gauges and a thermometer."""
    rng, days = np.random.default_rng([seed, 21]), {}
    for day in range(READ_DAYS):
        rows, temps = driven_k(who, one, day, float(air_k[day]), 1000 * seed + day)
        days[day] = dict(zip(rows.tolist(), temps, strict=True))
    since = {d: float(who.line.end_s[min(days[d])]) for d in days}
    ends = [
        (s.day, s.last)
        for s in who.line.spans
        if s.kind == "drive" and s.day < READ_DAYS and who.line.end_s[s.last] - since[s.day] > WARM_S
    ]
    found = []
    for i in rng.choice(len(ends), max(COUNTS), replace=False):
        day, row = ends[i]
        late = int(np.clip(row - rng.integers(0, 4), min(days[day]), None))  # the place, give or take a minute
        place = []
        for fluid, gauge, true in zip(FLUIDS, one.gauges, days[day][late], strict=True):
            off = gauge.offset_k + (gauge.gain - 1.0) * (true - C0 - 60.0)
            place.append(Observation(row=row, what=fluid, read_k=float(true + off + rng.normal(0.0, EYE_K))))
        outside = who.line.drive.air_k[row] + air_k[day] + rng.normal(0.0, EYE_K)
        found.append([*place, Observation(row=row, what=AIR, read_k=float(outside))])
    return found


def score(who: Owner, known: Posterior, truth_k: Floats) -> Score:
    """Forecast the days ahead for a car as known, beside what it did."""
    sd = who.sd_k[FIRST : LAST + 1]
    factors, shift = draw(DRAWS, ambient_sd_k=sd, posterior=known)
    drawn = simulate(who.ahead, who.vehicle, factors=factors, ambient_k=shift, record=rows_along(who.ahead))
    drawn = with_error(drawn, who.ahead, who.vehicle, known.discrepancy, seed=1, first_day=FIRST)
    best = simulate(who.ahead, who.vehicle, factors=medians(known), record=np.array([0])).margin_k[0]
    n = len(who.legs)
    margins = drawn.margin_k[:, :n, : len(FLUIDS)]
    low, high = np.quantile(margins, (0.05, 0.95), axis=0)
    kept = np.minimum(np.quantile(margins, 1.0 - CONFIDENCE, axis=0), best[:n, : len(FLUIDS)])
    return Score(best[:n, : len(FLUIDS)], kept, (low <= truth_k) & (truth_k <= high), truth_k)


def true_margins_k(who: Owner, one: OtherCar, air_k: Floats, seed: int) -> Floats:
    """Smallest margins of the legs ahead, on that car. [K]"""
    temps = np.full((len(who.rows), len(FLUIDS)), np.nan)
    for day in range(FIRST, LAST + 1):
        rows, values = driven_k(who, one, day, float(air_k[day]), 1000 * seed + day)
        temps[rows - who.rows[0]] = values
    left = who.limit_k - temps
    return np.array([np.nanmin(left[a:b], axis=0) for a, b in who.legs])


def all_scores(cars: int) -> dict[int, list[Score]]:
    """Every car, without readings and with more and more of them."""
    scores: dict[int, list[Score]] = {count: [] for count in (0, *COUNTS)}
    bare: dict[str, Score] = {}
    for car in range(cars):
        name, began = OWNERS[car % len(OWNERS)], time.time()
        who, one = owner(name), draw_car(read_class(name).vehicle, 1000 + car)
        air = np.random.default_rng([car, 22]).normal(0.0, who.sd_k)
        truth = true_margins_k(who, one, air, car)
        if name not in bare:
            bare[name] = score(who, NOTHING, truth)
        first = bare[name]
        scores[0].append(rescored(who, first, truth))
        places = readings_of(who, one, air, car)
        for count in COUNTS:
            seen = [item for place in places[:count] for item in place]
            found = teach(who.line.drive, who.vehicle, seen, air_sd_k=who.sd_k)
            scores[count].append(score(who, found.posterior, truth))
        print(f"car {car + 1} of {cars}: {time.time() - began:.0f} s", file=sys.stderr, flush=True)
        if (car + 1) % 10 == 0:
            print("\n".join(tables(scores)), file=sys.stderr, flush=True)
    return scores


@cache
def _bare_interval(name: str) -> tuple[Floats, Floats]:
    """90 % interval of the margins without readings. [K]"""
    who = owner(name)
    factors, shift = draw(DRAWS, ambient_sd_k=who.sd_k[FIRST : LAST + 1])
    drawn = simulate(who.ahead, who.vehicle, factors=factors, ambient_k=shift, record=rows_along(who.ahead))
    drawn = with_error(drawn, who.ahead, who.vehicle, NOTHING.discrepancy, seed=1, first_day=FIRST)
    low, high = np.quantile(drawn.margin_k[:, : len(who.legs), : len(FLUIDS)], (0.05, 0.95), axis=0)
    return low, high


def rescored(who: Owner, bare: Score, truth_k: Floats) -> Score:
    """The forecast without readings beside another car."""
    name = next(n for n in OWNERS if owner(n) is who)
    low, high = _bare_interval(name)
    return bare._replace(held=(low <= truth_k) & (truth_k <= high), true_k=truth_k)


def level(margin_k: Floats) -> npt.NDArray[np.int64]:
    """0 ample, 1 thin, 2 exceeded."""
    return (margin_k < THIN_K).astype(np.int64) + (margin_k < 0.0)


def tables(scores: dict[int, list[Score]]) -> Iterator[str]:
    """Results as tables."""
    kinds = "coolant | engine oil | transmission | differential"
    yield f"| places read | {kinds} | 90 % intervals hold | 90 % margins kept |"
    yield "|---|---|---|---|---|---|---|"
    for count, found in scores.items():
        off = np.array([s.best_k - s.true_k for s in found])
        held = np.array([s.held for s in found])
        each = " | ".join(f"{np.sqrt(np.mean(off[:, :, f] ** 2)):.1f}" for f in range(len(FLUIDS)))
        hold = ", ".join(f"{100 * np.mean(held[:, :, f]):.0f}" for f in range(len(FLUIDS)))
        kept = np.array([s.true_k >= s.kept_k for s in found])
        keep = ", ".join(f"{100 * np.mean(kept[:, :, f]):.0f}" for f in range(len(FLUIDS)))
        yield f"| {count or 'none'} | {each} | {hold} % | {keep} % |"
    yield ""
    yield (
        "| places read | level wrong without | of these right with | level right without | of these wrong with "
        "| calmer than the car was, without | with |"
    )
    yield "|---|---|---|---|---|---|---|"
    bare = scores[0]
    for count in COUNTS:
        cells = np.zeros(7)
        for without, have in zip(bare, scores[count], strict=True):
            true, was, now = (level(m.min(axis=1)) for m in (without.true_k, without.kept_k, have.kept_k))
            wrong = was != true
            cells += (
                wrong.sum(),
                (wrong & (now == true)).sum(),
                (~wrong).sum(),
                (~wrong & (now != true)).sum(),
                (was < true).sum(),
                (now < true).sum(),
                true.size,
            )
        p = 100.0 * cells / cells[6]
        yield f"| {count} | {p[0]:.1f} % | {p[1]:.1f} % | {p[2]:.1f} % | {p[3]:.1f} % | {p[4]:.1f} % | {p[5]:.1f} % |"


def main() -> None:
    """Run all cars and print the tables, or write the page."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--cars", type=int, default=100)
    asked.add_argument("--write", action="store_true")
    told = asked.parse_args()
    lines = list(tables(all_scores(told.cars)))
    print("\n".join(lines))
    if told.write:
        page = basics.DOCS / "readings.md"
        head = page.read_text(encoding="utf-8").split("<!-- made -->")[0]
        page.write_text(f"{head}<!-- made -->\n\n" + "\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
