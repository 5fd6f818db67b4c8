"""Hold what is learnt, and what is judged, against the other car: python docs/learning_other.py [--cars N] [PART...].

Prints the tables that docs/make_learning.py puts first in docs/learning.md. The other car (tests/shared/other_car.py)
shares no physics with the model that reads its logs.
"""

import argparse
import itertools
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache

import basics
import numpy as np
from cars import read_class
from other_car import draw_car
from other_logs import Day, OtherLog, make_log, varied

from planner.analysis.alarm_marks import FluidAlarm, Series, fluid_alarm, settled
from planner.logs.identifiability import names_in
from planner.logs.verdict import every_other
from thermal import causes, expected, fit
from thermal.beyond import beyond_in, with_beyond
from thermal.fluids import Fluid, fluids_in
from thermal.leaps import leaps_in
from thermal.posterior import NOTHING, Posterior
from thermal.residuals import modelled_k
from thermal.simulate import limits_k
from thermal.spread import medians
from thermal.vehicle import Vehicle

OWNERS = ("saloon-1980s-v8-automatic", "estate-1990s-six")
FLUIDS = {1: "coolant", 2: "engine oil", 3: "transmission", 4: "differential"}
MILD = (
    Day(road="mixed", hours=1.5, air_c=19.0),
    Day(road="hills", hours=1.2, air_c=14.0),
    Day(road="motorway", hours=1.2, air_c=22.0),
    Day(road="town", hours=1.0, air_c=18.0),
    Day(road="plain", hours=1.2, air_c=24.0, ac=True),
    Day(road="pass", hours=1.3, air_c=17.0),
    Day(road="mixed", hours=1.5, air_c=23.0),
    Day(road="hills", hours=1.5, air_c=10.0),
)
HELD = (
    Day(road="pass", hours=1.3, air_c=29.0, ac=True),
    Day(road="town", hours=1.0, air_c=26.0, ac=True),
    Day(road="hills", hours=1.2, air_c=12.0),
    Day(road="mixed", hours=1.5, air_c=24.0),
)
HOT = (
    Day(road="pass", hours=1.3, air_c=36.0, ac=True),
    Day(road="pass", hours=1.3, air_c=39.0, ac=True),
    Day(road="mixed", hours=1.6, air_c=37.0, ac=True),
    Day(road="pass", hours=1.6, air_c=33.0, ac=True),
)
COOLING = frozenset({"airflow", "radiator", "flow", "fan"})
# Fault, causes that name it, and a day on which it shows.
PLANTED: tuple[tuple[str, frozenset[str], Day], ...] = (
    ("thermostat_open", frozenset({"thermostat_open"}), Day(road="motorway", hours=1.2, air_c=9.0)),
    ("thermostat_shut", frozenset({"thermostat_late"}), Day(road="hills", hours=1.2, air_c=22.0)),
    ("fan_dead", COOLING, Day(road="jam", hours=1.2, air_c=32.0, ac=True)),
    ("radiator_half", COOLING, Day(road="pass", hours=1.3, air_c=32.0, ac=True)),
    ("low_flow", COOLING, Day(road="pass", hours=1.3, air_c=32.0, ac=True)),
    ("oil_cooler_bypassed", frozenset({"oil_cooler"}), Day(road="pass", hours=1.3, air_c=28.0)),
    (
        "lockup_never",
        frozenset({"gearbox_heat", "gearbox_loss", "converter"}),
        Day(road="motorway", hours=1.2, air_c=24.0),
    ),
    ("axle_drag", frozenset({"axle_heat", "axle_loss"}), Day(road="hills", hours=1.3, air_c=22.0)),
    ("gauge_offset", frozenset({"offset"}), Day(road="mixed", hours=1.5, air_c=20.0)),
)
THIN_K = 8.0  # what `thin` is in a trip that does not say
ONSET = ("radiator_half", "axle_drag", "thermostat_shut")


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """A car as its owner's file has it after some logs."""

    vehicle: Vehicle
    learnt: Posterior


def owner(car: int) -> Vehicle:
    """The vehicle file of the owner of that car."""
    return read_class(OWNERS[car % len(OWNERS)]).vehicle


@cache
def reference(car: int, number: int) -> OtherLog:
    """A sound mild day of a car."""
    day = varied(MILD[number], number + car)
    return make_log(draw_car(owner(car), car), day, 1000 * car + number)


@cache
def held_out(car: int, number: int) -> OtherLog:
    """A sound day that no fit saw."""
    return make_log(draw_car(owner(car), car), varied(HELD[number], number + car), 1000 * car + 100 + number)


@cache
def known(car: int, n_log: int) -> Known:
    """What that many mild days teach."""
    vehicle = owner(car)
    if n_log == 0:
        return Known(vehicle=vehicle, learnt=NOTHING)
    logs = [reference(car, i) for i in range(n_log)]
    found = fit.fit_factors(
        vehicle,
        [one.drive for one in logs],
        [one.readings for one in logs],
        names_in(vehicle, logs[0].day.fluids, cold=min(float(one.drive.air_k.min()) for one in logs) < 288.15),
    )
    return Known(vehicle=found.vehicle, learnt=fit.posterior_of(found, "logs of the other car"))


def band_k(car: Known, log: OtherLog, *, shown: bool = False, n_draw: int = 128) -> tuple[np.ndarray, np.ndarray]:
    """The 90 % interval at the readings' times, each shape (n, 6); with `shown` of what gauges read. [K]"""
    learnt = replace(car.learnt, discrepancy=car.learnt.discrepancy.as_read()) if shown else car.learnt
    draws = expected.drawn_k(car.vehicle, log.drive, log.readings, learnt, n_draw=n_draw)
    low, high = np.quantile(draws, (0.05, 0.95), axis=0)
    return low, high


def coverage(cars: Sequence[int], logs: Sequence[int] = (0, 1, 2, 4, 8)) -> Iterator[str]:
    """Share of the time that 90 % intervals hold the truth, and those of gauges the readings, by number of logs."""
    yield "### Intervals on sound days that no fit saw\n"
    for shown, of in ((False, "of the fluid"), (True, "of what the gauge reads")):
        rows = []
        for n_log in logs:
            inside: dict[int, list[np.ndarray]] = {b: [] for b in FLUIDS}
            wide: dict[int, list[float]] = {b: [] for b in FLUIDS}
            for car, number in itertools.product(cars, range(len(HELD))):
                log = held_out(car, number)
                low, high = band_k(known(car, n_log), log, shown=shown)
                wanted = log.readings.temp_k if shown else log.truth_k
                for b in FLUIDS:
                    inside[b].append((wanted[:, b] >= low[:, b]) & (wanted[:, b] <= high[:, b]))
                    wide[b].append(float(np.mean(high[:, b] - low[:, b])))
            rows.append((str(n_log), *(_held(inside[b], wide[b]) for b in FLUIDS)))
        yield basics.table((f"logs fitted; interval {of}", *FLUIDS.values()), rows) + "\n"


def _held(inside: Sequence[np.ndarray], wide_k: Sequence[float]) -> str:
    """Share of the time held, mean width, share on the worst day."""
    return f"{np.mean(np.concatenate(inside)):.1%} ({np.mean(wide_k):.0f}), {min(map(np.mean, inside)):.0%}"


def hot_day(cars: Sequence[int], logs: Sequence[int] = (0, 1, 4)) -> Iterator[str]:
    """Hot climb forecast from mild days: is the true peak below the interval's upper end?"""
    yield "### A hot climb forecast from mild days\n"
    rows = []
    for n_log in logs:
        below: dict[int, list[tuple[bool, float]]] = {b: [] for b in FLUIDS}
        for car in cars:
            for number, day in enumerate(HOT):
                log = make_log(draw_car(owner(car), car), day, 1000 * car + 200 + number)
                _, high = band_k(known(car, n_log), log)
                for b in FLUIDS:
                    spare = float(np.max(high[:, b]) - np.max(log.truth_k[:, b]))
                    below[b].append((spare >= 0.0, spare))
        rows.append(
            (
                str(n_log),
                *(
                    f"{sum(ok for ok, _ in found)} of {len(found)} ({np.median([s for _, s in found]):.0f})"
                    for found in below.values()
                ),
            )
        )
    yield (
        basics.table(("logs fitted", *(f"{name}: held (median to spare, K)" for name in FLUIDS.values())), rows) + "\n"
    )


def alarm_bands(cars: Sequence[int], logs: Sequence[int] = (0, 1, 4)) -> Iterator[str]:
    """Alarm cards of sound days that no fit saw: what of the warm readings their bands hold, and false alarms."""
    yield "### Alarm cards\n"
    rows, alarms = [], []
    for n_log in logs:
        held: dict[int, list[float]] = {b: [] for b in FLUIDS}
        rung: dict[int, list[tuple[int, int, float]]] = {b: [] for b in FLUIDS}
        for car, number in itertools.product(cars, range(len(HELD))):
            one, log = known(car, n_log), held_out(car, number)
            draws = expected.drawn_k(one.vehicle, log.drive, log.readings, one.learnt, n_draw=128)
            for fluid in (f for f in fluids_in(one.vehicle) if f.node in FLUIDS):
                card, series = _card(one, log, draws, fluid)
                shown = log.readings.temp_k[:, fluid.node]
                warm = shown >= card.warm_k
                low, high = card.marks.band_k
                if warm.any():
                    held[fluid.node].append(float(np.mean((shown[warm] >= low) & (shown[warm] <= high))))
                late = series.settled & (shown < card.marks.low_k)
                above = np.flatnonzero(np.diff((shown >= card.marks.caution_k).astype(int)) > 0)
                rung[fluid.node].append((len(above), int(late.any()), float(series.step_s.sum()) / 3600.0))
        rows.append((str(n_log), *(f"{np.mean(of):.0%}, {min(of):.0%}" for of in held.values())))
        alarms.append((str(n_log), *map(_rung, rung.values())))
    heads = ("logs fitted", *FLUIDS.values())
    yield "Share of the warm readings of a day inside the band; on the worst day\n"
    yield basics.table(heads, rows) + "\n"
    yield "Times that a reading passed the caution, days with a reading below the low mark, hours\n"
    yield basics.table(heads, alarms) + "\n"


def _card(one: Known, log: OtherLog, draws: np.ndarray, fluid: Fluid) -> tuple[FluidAlarm, Series]:
    """Marks of one gauge for one day, as `alarms` places them."""
    rows, place = expected.rows_at(log.drive, log.readings.time_s)
    at, step_s = rows[place], np.diff(log.readings.time_s, prepend=log.readings.time_s[0])
    limit_k = limits_k(one.vehicle, log.drive.elevation_m)[at, fluid.index]
    of_fluid = np.ascontiguousarray(draws[:, :, fluid.node])
    series = Series(of_fluid, step_s, limit_k, settled(log.drive)[at])
    return fluid_alarm(series, fluid, one.vehicle, thin_k=THIN_K, limit_k=float(limit_k.min())), series


def _rung(days: Sequence[tuple[int, int, float]]) -> str:
    times, low, hours = (sum(of) for of in zip(*days, strict=True))
    return f"{times}, {low}, {hours:.0f} h"


def warm_ups(cars: Sequence[int], logs: Sequence[int] = (0, 1, 4)) -> Iterator[str]:
    """Error of the coolant while it warms, best known."""
    yield "### Warm-ups\n"
    rows = []
    for n_log in logs:
        errors = []
        for car in cars:
            for number, air_c in enumerate((-5.0, 8.0, 22.0)):
                day = Day(road="mixed", hours=0.4, air_c=air_c)
                log = make_log(draw_car(owner(car), car), day, 1000 * car + 300 + number)
                one = known(car, n_log)
                model = modelled_k(one.vehicle, log.drive, log.readings, medians(one.learnt))[0]
                errors.append(float(np.sqrt(np.mean((model[:, 1] - log.truth_k[:, 1]) ** 2))))
        rows.append((str(n_log), f"{np.median(errors):.1f}", f"{np.mean(np.array(errors) <= 3.0):.0%}"))
    yield basics.table(("logs fitted", "median error, K", "within 3 K"), rows) + "\n"


def judged(car: int, n_log: int, log: OtherLog) -> tuple[causes.Verdict, ...]:
    """All causes, as `review` judges them."""
    one, seen = known(car, n_log), log.readings
    leaps = [leap for b in FLUIDS for leap in leaps_in(b, seen.time_s, seen.temp_k[:, b])]
    found = causes.judge(one.vehicle, log.drive, every_other(seen), posterior=one.learnt, leaps=leaps)
    return with_beyond(found, beyond_in(seen, np.stack(band_k(one, log, shown=True))))


def unseen_in(verdicts: Sequence[causes.Verdict]) -> frozenset[str]:
    """Faults that `review` says the log could not have told."""
    return frozenset(map(_plain, next(v.unseen for v in verdicts if v.name == causes.USUAL)))


def names_of(near: Sequence[causes.Verdict]) -> frozenset[str]:
    """Names, gauges without their number."""
    return frozenset(_plain(v.name) for v in near)


def _plain(name: str) -> str:
    return name.split("_")[0] if name.startswith(("offset", "unexplained")) else name


def outcome(near: frozenset[str], right: frozenset[str], unseen: frozenset[str]) -> str:
    """Right, undecided with the right one among them, cannot tell (and says so), or wrong."""
    if near <= right:
        return "right"
    if near & right:
        return "undecided"
    if near == {causes.USUAL}:
        return "cannot tell" if unseen & right else "wrong"
    return "cannot tell" if "unexplained" in near else "wrong"


def accusations(cars: Sequence[int], logs: Sequence[int] = (0, 1, 2, 4, 8)) -> Iterator[str]:
    """Sound days on which the car is accused."""
    yield "### Sound days: is the car accused?\n"
    rows = []
    for n_log in logs:
        named: Counter[str] = Counter()
        open_ones = []
        for car in cars:
            for number in range(len(HELD)):
                found = judged(car, n_log, held_out(car, number))
                near = names_of(causes.alike(found))
                named["nothing" if causes.USUAL in near else " / ".join(sorted(near))] += 1
                open_ones.append(len(unseen_in(found)))
        total = sum(named.values())
        said = f"{total - named['nothing']} of {total}"
        rows.append((str(n_log), said, str(dict(named.most_common())), f"{np.mean(open_ones):.1f}"))
    yield basics.table(("logs fitted", "accused", "named", "faults a log could not have told, mean"), rows) + "\n"


def fault_logs(car: int, *, onset_s: float = 0.0) -> Iterator[tuple[str, frozenset[str], OtherLog, float]]:
    """Planted faults of one car that it can have, and how far each moves the truth. [K]"""
    one = draw_car(owner(car), car)
    for number, (fault, right, day) in enumerate(PLANTED):
        if fault == "oil_cooler_bypassed" and one.car.oil_cooler_air_w_per_k + one.car.oil_cooler_water_w_per_k == 0.0:
            continue
        if fault == "lockup_never" and one.car.lockup == 0.0:
            continue
        if onset_s and fault not in ONSET:
            continue
        seed = 1000 * car + 400 + number
        when = replace(varied(day, number + car), fault=fault, onset_s=onset_s)
        when = replace(when, hours=onset_s / 3600.0 + 1.0) if onset_s else when
        log, sound = make_log(one, when, seed), make_log(one, replace(when, fault=""), seed)
        moved = float(np.nanmax(np.abs(log.readings.temp_k - sound.readings.temp_k)[:, 1:5]))
        yield fault, right, log, moved


def faults(cars: Sequence[int], logs: Sequence[int] = (0, 1, 4), *, onset_s: float = 0.0) -> Iterator[str]:
    """Days with one planted fault each."""
    yield f"### Days with a fault{' that begins after an hour' if onset_s else ''}\n"
    for n_log in logs:
        rows, counted = [], Counter[str]()
        found: dict[str, list[str]] = {}
        for car in cars:
            for fault, right, log, moved in fault_logs(car, onset_s=onset_s):
                verdicts = judged(car, n_log, log)
                near = names_of(causes.alike(verdicts))
                how = outcome(near, right, unseen_in(verdicts))
                counted[how] += 1
                found.setdefault(fault, []).append(f"{how}: {'/'.join(sorted(near))} ({moved:.0f} K)")
        rows = [(fault, "; ".join(said)) for fault, said in found.items()]
        yield f"{n_log} logs fitted: " + ", ".join(f"{k} {v}" for k, v in counted.most_common()) + "\n"
        yield basics.table(("planted", "named (largest effect)"), rows) + "\n"


ABOUT = """## The other car

`tests/shared/other_car.py` makes cars of another build than the model: twelve states instead of six bodies (cylinder
head and block apart; coolant in the engine and behind the radiator; gallery and sump oil; converter and pan; axle oil
and housing; the thermostat's wax; the air under the bonnet). Friction, heat to the coolant, radiator, gears, lock-up,
fan and condenser follow other laws; the thermostat lags and has hysteresis; wind gusts, the driver wavers, traffic
stops. Each car is drawn about usual sizes of the trade within what its owner's file admits (mass 5 %, drag 8 %, rates
of heat 8 to 25 %). Senders sit where they sit in cars (head or hose, sump or gallery, pan or line, oil or plug), lag
4 to 110 s, are off by 1 to 1.5 K, and show whole degrees; the air sensor reads warm, more so after standing. *Truth*
is the temperature where the sender sits. `tests/shared/other_logs.py` drives them: plain, hills, pass, town, jam,
motorway and a mixture of them, logged every 1, 2 or 5 s. The owners' files are two classes, a V8 automatic and a
six-cylinder manual with an oil cooler. Fits are to mild days (10 to 24 °C); trials are on other days, some of them
hot. Nothing of the model was set by these figures but the ASSUMED sizes in `thermal/discrepancy.py` and how much a
reading counts, which were chosen while looking at cars 0 to 5, what is told of levels, on
cars 0 to 9, and rules of verdicts, on cars 0 to 23.
"""


def section(cars: Sequence[int]) -> Iterator[str]:
    """The section of docs/learning.md, harder tests first."""
    yield ABOUT
    for part in PARTS.values():
        yield from part(cars)


def _onset(cars: Sequence[int], logs: Sequence[int] = (1, 4)) -> Iterator[str]:
    yield from faults(cars, logs, onset_s=3600.0)


PARTS: dict[str, Callable[..., Iterator[str]]] = {
    "coverage": coverage,
    "hot": hot_day,
    "alarms": alarm_bands,
    "warm": warm_ups,
    "accused": accusations,
    "faults": faults,
    "onset": _onset,
}


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Hold learning against the other car.")
    parser.add_argument("parts", nargs="*", default=list(PARTS), help=f"which of {', '.join(PARTS)}")
    parser.add_argument("--cars", type=int, default=6, help="how many cars")
    parser.add_argument("--first", type=int, default=0, help="number of the first: 0 to 5 have been looked at")
    parser.add_argument("--logs", type=int, nargs="+", help="after how many logs; the part's own when not given")
    given = parser.parse_args()
    for part in given.parts:
        begun = time.perf_counter()
        cars, after = range(given.first, given.first + given.cars), {"logs": given.logs} if given.logs else {}
        for line in PARTS[part](cars, **after):
            print(line, flush=True)
        print(f"({part}: {time.perf_counter() - begun:.0f} s)", file=sys.stderr)
