"""Days on one clock, against a brute force that walks every set of nights and every start on its own.

The brute force below knows the rules from docs/formats.md alone and shares no code with the planner; zones are those of
Python's zoneinfo, the sun astral's. Hours, places and rules are drawn at random.
"""

import itertools
import random
import re
from datetime import UTC, date, datetime, time, timedelta
from math import ceil
from zoneinfo import ZoneInfo

import pytest
from astral import Observer
from astral.sun import sunset

from planner.model.errors import NoRouteError
from planner.model.trip import Halt
from planner.route.days import split_days

HOUR, QUARTER = 3600.0, 900.0
ZONES = {"kansas": (38.5, -98.0, "America/Chicago"), "utah": (39.0, -110.0, "America/Denver")}


def wall(naive, where):
    return naive.replace(tzinfo=ZoneInfo(ZONES[where][2])).timestamp()


def local(at_s, where):
    return datetime.fromtimestamp(at_s, tz=UTC).astimezone(ZoneInfo(ZONES[where][2])).replace(tzinfo=None)


def sunset_s(where, day):
    lat, lon, _ = ZONES[where]
    zone = UTC if lon == 0 else ZoneInfo(ZONES[where][2])
    return sunset(Observer(lat, lon, 0.0), day, tzinfo=zone).timestamp()


class Brute:
    """Fewest days, by walking every possible night and every possible start."""

    def __init__(self, case):
        self.__dict__.update(case)
        self.n = len(self.hours)
        self.best = None

    def solve(self):
        self.walk(0, 0, -1e18, [])
        return self.best

    def cost(self, number, days):
        """Squares of the shares of the limit; 1 for a day slept on, 0.02 for half an hour before the usual start."""
        slept_on = number - len(days) - sum(self.rest.count(finish) for finish, *_ in days)
        return sum((hours / self.limit_h) ** 2 + 0.02 * early for _, _, hours, early in days) + slept_on

    def walk(self, position, number, ready_s, days):
        if self.best is not None and number > self.best[0]:
            return
        if position == self.n:
            found = (number, self.cost(number, days), days)
            if (not self.days or number == self.days) and (self.best is None or found[:2] < self.best[:2]):
                self.best = found
            return
        if number < 14:
            self.go_on(position, number, ready_s, days)

    def go_on(self, position, number, ready_s, days):
        today, where = self.departure.date() + timedelta(days=number), self.where[position]
        start_s = self.start_of(position, number, today, ready_s)
        late = ready_s > wall(datetime.combine(today, self.start), where)
        if late and number:
            self.walk(position, number + 1, ready_s, days)  # sleeps on
        if start_s is None:
            return
        for finish in range(position + 1, self.n + 1):
            if any(position < night < finish for night in self.forced):
                break
            if finish < self.n and finish not in self.beds and finish not in self.forced:
                continue
            end = self.drive(position, finish, start_s, today)
            if end is None:
                continue
            arrived_s, driven_h, early, begun_s = end
            halt_h = self.halts.get(finish, 0.0)
            free_s = arrived_s + halt_h * HOUR
            ready = free_s if halt_h >= self.rest_h else free_s + self.rest_h * HOUR
            after = number + 1 + (self.rest.count(finish) if finish < self.n else 0)
            self.walk(finish, after, ready, [*days, (finish, begun_s, driven_h, early)])

    def start_of(self, position, number, today, ready_s):
        where = self.where[position]
        if number == 0:
            return wall(self.departure, where)
        usual = wall(datetime.combine(today, self.start), where)
        early, at = wall(datetime.combine(today, self.earliest), where), usual
        choices = []
        while at >= early - 1.0:
            if at >= ready_s:
                choices.append(at)
            at -= 1800.0
        if choices:
            return choices  # the usual one first
        late_s = QUARTER * ceil(ready_s / QUARTER)
        return [late_s] if local(late_s, where).date() == today else None

    def drive(self, position, finish, start_s, today):
        """First start that keeps every rule, usual hour first."""
        for early, at_s in enumerate(start_s if isinstance(start_s, list) else [start_s]):
            now, driven, good, began, own = at_s, 0.0, True, today, False
            for i in range(position, finish):
                if i in self.ferries:
                    good = good and (not own or self.daytime(i, began, now))
                    own = False
                    now += self.hours[i] * HOUR
                    began = local(now, self.where[i + 1]).date()
                else:
                    own = True
                    driven += self.hours[i]
                    now += self.hours[i] * HOUR
                if i in self.closed_until and local(now, self.where[i + 1]).date() < self.closed_until[i]:
                    good = False
                if i + 1 < finish:
                    now += self.halts.get(i + 1, 0.0) * HOUR
            good = good and driven <= self.limit_h + 1e-9 and (not own or self.daytime(finish, began, now))
            if good:
                return now, driven, early, at_s
        return None

    def daytime(self, position, day, now):
        return not self.daylight or now <= sunset_s(self.where[position], day) - 1800.0


def draw(rng):
    n = rng.randint(2, 7)
    hours = [rng.choice([0.5, 1.0, 1.75, 3.0, 4.5, 6.0]) for _ in range(n)]
    where = sorted((rng.choice(["kansas", "utah"]) for _ in range(n + 1)), reverse=rng.random() < 0.5)
    beds = {i for i in range(1, n) if rng.random() < 0.7}
    inner = list(range(1, n))
    nights = sorted(rng.sample(inner, min(len(inner), rng.choice([0, 0, 1]))))
    rest = rng.sample(inner, min(len(inner), rng.choice([0, 0, 0, 1])))
    halts = {i: rng.choice([1.0, 5.0, 8.0, 9.0, 40.0, 70.0]) for i in inner if rng.random() < 0.15}
    departure = datetime.combine(
        date(2027, rng.choice([3, 7, 11]), rng.randint(4, 18)), time(rng.choice([5, 8, 8, 19, 22]))
    )
    rest_h = rng.choice([8.0, 8.0, 10.0, 5.5])
    forced = sorted({*nights, *rest, *(i for i, h in halts.items() if h >= rest_h)})
    ferries = {i for i in range(n) if rng.random() < 0.12}
    closed = {i: departure.date() + timedelta(days=rng.choice([1, 2])) for i in range(1, n) if rng.random() < 0.12}
    return {
        **{"hours": hours, "where": where, "beds": beds, "nights": nights, "rest": rest, "halts": halts},
        **{"departure": departure, "rest_h": rest_h, "forced": forced, "ferries": ferries},
        **{"closed_until": closed, "limit_h": rng.choice([6.0, 8.0, 11.0]), "daylight": rng.random() < 0.4},
        "start": rng.choice([time(8), time(8), time(19), time(6, 30)]),
        "days": rng.choice([0, 0, 0, 0, 3, 5]),
    }


def planned(case, make_trip, road):
    """The same through the planner."""
    earliest = case["earliest"]
    legs = []
    for i, hours in enumerate(case["hours"]):
        until = case["closed_until"].get(i)
        season = None if until is None else ((until.month, until.day), (12, 31))
        kind = "ferry" if i in case["ferries"] else "road"
        legs.append(road(f"p{i}", f"p{i + 1}", 60.0 * hours, season=season, kind=kind))
    places = {
        f"p{i}": {
            "lat_deg": ZONES[where][0],
            "lon_deg": ZONES[where][1],
            "services": frozenset({"lodging"}) if i in case["beds"] else frozenset(),
        }
        for i, where in enumerate(case["where"])
    }
    trip = make_trip(
        legs,
        places=places,
        departure=case["departure"],
        nights=tuple(f"p{i}" for i in case["nights"]),
        rest=tuple(f"p{i}" for i in case["rest"]),
        halts=tuple(Halt(place=f"p{i}", duration_s=h * HOUR, engine_on=False) for i, h in case["halts"].items()),
        days=case["days"],
        day={
            "driving_s": case["limit_h"] * HOUR,
            "start": case["start"],
            "earliest": earliest,
            "lodging_only": True,
            "daylight": case["daylight"],
            "least_rest_s": case["rest_h"] * HOUR,
            "break_s": 0.0,
        },
    )
    return split_days(trip, legs, [h * HOUR for h in case["hours"]])


def compare(seed, make_trip, road):
    """One random trip both ways; whether it was possible."""
    case = draw(random.Random(seed))
    case["earliest"] = min(time(6), case["start"]) if case["start"] < time(12) else time(17)
    best = Brute(case).solve()
    try:
        days = planned(case, make_trip, road)
    except NoRouteError:
        days = None
    assert (days is None) == (best is None), (seed, case, days, best)
    if days is None:
        return False
    first = case["departure"].date()
    last = local(days[-1].start_s, case["where"][days[-1].first]).date()
    number, least, _ = best
    usual = [
        wall(datetime.combine(local(d.start_s, case["where"][d.first]).date(), case["start"]), case["where"][d.first])
        for d in days[1:]
    ]
    early = sum(max(0.0, at - d.start_s) / 1800.0 for at, d in zip(usual, days[1:], strict=True))
    slept_on = number - len(days) - sum(case["rest"].count(d.last + 1) for d in days)
    cost = sum((d.driving_s / HOUR / case["limit_h"]) ** 2 for d in days) + slept_on + 0.02 * early
    assert (last - first).days + 1 == number, (seed, case, days, best)
    assert cost == pytest.approx(least, abs=1e-6), (seed, case, days, best)
    for a, b in itertools.pairwise(days):
        assert b.start_s - a.end_s >= case["rest_h"] * HOUR - 1e-6
    assert set(case["forced"]) <= {day.last + 1 for day in days} | {len(case["hours"])}
    return True


@pytest.mark.parametrize("block", range(4))
def test_a_brute_force_finds_the_same_days(make_trip, road, block):
    possible = [compare(100 * block + seed, make_trip, road) for seed in range(100)]
    assert 20 < sum(possible) < 95


def test_what_a_refusal_proposes_works(make_trip, road):
    """Every departure, date or length named as working is tried."""
    seen = 0
    for seed in range(160):
        case = draw(random.Random(seed))
        case["earliest"] = min(time(6), case["start"]) if case["start"] < time(12) else time(17)
        try:
            planned(case, make_trip, road)
        except NoRouteError as exc:
            said = re.search(r'departure = "(.*?)"[^;]* would work', str(exc))
            if said is not None:
                seen += 1
                planned(case | {"departure": datetime.fromisoformat(said[1])}, make_trip, road)
    assert seen > 4
