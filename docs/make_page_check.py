"""Compare the page's own forecasts with reruns of the plan: python docs/make_page_check.py [--tries N] [--trip NAME].

Each try draws a car, its air and its gauges' errors, reads the gauges at one to four places up to where the car is,
and takes some lateness and some hotter air. Chromium runs the page's script on the page's own data with that. Then the
plan is made anew from the file of readings that the page writes, from that place at that later time, with the gauges'
readings there and in air as much hotter. The check compares every fluid of every leg left that day.
"""

import argparse
import json
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from typing import Any, NamedTuple

import basics
import numpy as np
from browsing import ARGS, CHROMIUM

from maps import basemap, page
from planner.analysis.margins import find_margins, fluids_of
from planner.files.folder import example_folder
from planner.files.reading import Problems
from planner.files.readings import GAUGES, parse_readings
from planner.forecast.assemble import Inputs, make_forecast, read_inputs, taught
from planner.forecast.run import Forecast, ambient_sd_k, forecast, local_time, span_of
from planner.model import paths
from planner.model.display import Units, units_of
from planner.model.levels import severity
from planner.output import mapscene
from planner.output.report import make_report
from planner.replan.remaining import rest_of
from planner.replan.request import Request
from thermal.fluids import BODY_KEYS
from thermal.simulate import simulate
from thermal.spread import draw
from thermal.taught import AIR, GAUGE_SD_K

CLOSE_K = 1.5
LATE_MIN = (0, 30, 60, 120)
SCRIPTS = ("base.js", "teach.js", "bends.js", "readings.js", "now.js")
ASK = """
  const kept = tried.readings.map((one) => {
    const { point } = scene.places[one.stop];
    return { ...one, point, when: "", date: scene.days[track.day[point]].date, place: teaching.stops[one.stop] };
  });
  figures.known = learnFrom(kept);
  figures.learnt = learntAt(figures.known);
  const here = scene.places[tried.stop].point, on = teaching.switches.filter((one) => tried.on.includes(one.label));
  const peaks = movedPeaks(movedWith(on, here, nextGrade(here)), figures.known, on.length > 0);
  return { peaks, text: fileText(kept),
    doubted: figures.known.numbers.filter((one) => !one.believed).length };
"""


class Try(NamedTuple):
    """One try: where the car is, what was read where, what is different, and by how much."""

    stop: int
    readings: list[dict[str, Any]]
    on: list[str]
    late_min: int
    hotter_k: float


class Compared(NamedTuple):
    """One fluid of one leg: page less rerun [K], and the two levels."""

    fluid: str
    expected_k: float
    upper_k: float
    page: str
    rerun: str
    planned_k: float


def main() -> None:
    """Try, compare, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tries", type=int, default=20)
    parser.add_argument("--trip", default="alps")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first-day", type=int, default=0, help="the car is on this day or a later one, from 0")
    parser.add_argument("--set", nargs="*", default=[], metavar="KEY=VALUE", help="values of the car changed")
    given = parser.parse_args()
    changes = dict(one.split("=", 1) for one in given.set)
    inputs = read_inputs(example_folder(given.trip)).changed(changes)
    outlook = make_forecast(inputs)
    asked = list(tries(outlook, given.tries, given.seed, given.first_day))
    found: list[Compared] = []
    for one, said in zip(asked, ask_page(outlook, asked), strict=True):
        found += compare(inputs, outlook, one, said)
        print(f"{len(found)} figures", file=sys.stderr)
    for bad in (one for one in found if (one.page, one.rerun) == ("ample", "exceeded")):
        print(bad, file=sys.stderr)
    print(table(found, given.tries))


def tries(outlook: Forecast, number: int, seed: int, first_day: int = 0) -> Iterator[Try]:
    """Draw cars, days, places and errors of gauges."""
    rng, u, line, legs = np.random.default_rng(seed), units_of(outlook.trip.units), outlook.timeline, len(outlook.legs)
    cars, shifts = draw(
        1 << (number - 1).bit_length(), ambient_sd_k=ambient_sd_k(line), seed=seed, vehicle=outlook.car.vehicle
    )
    ends = np.array([span_of(outlook, leg).last for leg in range(legs)])
    truth = simulate(line.drive, outlook.car.vehicle, factors=cars, ambient_k=shifts, record=ends).temps_k
    days = [span_of(outlook, leg).day for leg in range(legs)]
    halts = {span.leg for span in line.spans if span.kind != "drive"}
    free = [
        leg for leg in range(legs - 1) if days[leg] == days[leg + 1] and leg not in halts and days[leg] >= first_day
    ]
    degrees = (10, 20) if u.kelvin_per_degree < 1.0 else (5, 10)
    for i in range(number):
        here = int(rng.choice(free))
        earlier = rng.choice(here, size=min(int(rng.integers(0, 4)), here), replace=False) if here else []
        readings = []
        for leg in sorted({here, *(int(one) for one in earlier)}):
            values = {
                name: float(truth[i, leg, BODY_KEYS.index(fluid)])
                for name, fluid in GAUGES.items()
                if fluid != AIR and fluid in fluids_of(outlook)
            }
            values[AIR] = float(line.drive.air_k[ends[leg]] + shifts[i, days[leg]])
            read = {
                name: round(float(u.temp(k + rng.normal(0.0, GAUGE_SD_K[GAUGES[name]])))) for name, k in values.items()
            }
            readings.append({"stop": leg + 1, "values": read})
        late, hotter = int(rng.choice(LATE_MIN)), int(rng.choice((0, *degrees)))
        words = {0: "", 30: "30 min late", 60: "1 h late", 120: "2 h late"}
        on = [words[late]] * bool(late) + [f"Air +{hotter} {u.temperature}"] * bool(hotter)
        yield Try(here + 1, readings, on, late, hotter * u.kelvin_per_degree)


def ask_page(outlook: Forecast, asked: list[Try]) -> list[dict[str, Any]]:
    """Run the page's script in a browser on the page's data."""
    from playwright.sync_api import sync_playwright

    scene = mapscene.make_scene(make_report(outlook, remedies=False))
    ground = basemap.load(paths.data_folder() / "basemap", scene.bounds(), scene.route())
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGS))
        tab = browser.new_page()
        tab.set_content(page.render(scene, basemap=ground))
        said = ask_tab(tab, asked)
        browser.close()
    return said


def ask_tab(tab: Any, asked: list[Try]) -> list[dict[str, Any]]:
    """Run the page's script anew in a tab that shows the page."""
    code = "\n".join((basics.ROOT / "maps" / "templates" / name).read_text(encoding="utf-8") for name in SCRIPTS)
    said: list[dict[str, Any]] = tab.evaluate(
        f"(all) => {{ {code}\n return all.map((tried) => {{ {ASK} }}); }}",
        [json.loads(json.dumps(one._asdict())) for one in asked],
    )
    return said


def compare(inputs: Inputs, outlook: Forecast, one: Try, said: dict[str, Any]) -> Iterator[Compared]:
    """Plan anew from where the car is, and compare the two."""
    u, leg = units_of(outlook.trip.units), one.stop - 1
    trip = inputs.trip
    problems = Problems()
    rows = parse_readings(said["text"], trip=trip, problems=problems)
    if len(problems):
        raise SystemExit("\n".join(problems.sentences()))
    known = taught(replace(inputs, trip=replace(trip, readings=rows)))
    at = local_time(outlook, span_of(outlook, leg).last).replace(tzinfo=None)
    read = dict(known.known.read)
    shift, sd = read.get(at.date(), (0.0, 0.0))
    if one.hotter_k:
        read[at.date()] = (shift + one.hotter_k, sd)
    known = replace(known, known=replace(known.known, read=read))
    here = next(r["values"] for r in one.readings if r["stop"] == one.stop)
    now = {GAUGES[name]: _kelvin(u, value) for name, value in here.items() if name != AIR}
    request = Request(
        start_at=outlook.legs[leg].finish, at=at + timedelta(minutes=one.late_min), temps_k=now, driven_s=None
    )
    rest, start = rest_of(known, request)
    again = forecast(rest.trip, rest.car, known=rest.known, start=start)
    day, keys = span_of(outlook, leg).day, fluids_of(outlook)
    last = max(i for i in range(len(outlook.legs)) if span_of(outlook, i).day == day)
    same = alike(outlook, again, leg + 1, last)
    by_plan = {(m.leg, m.fluid): m.upper_k for m in find_margins(outlook)}
    page_said = {(p["leg"], keys[p["channel"]]): p for p in said["peaks"]}
    for m in find_margins(again):
        if m.leg < same:
            p = page_said[m.leg + leg + 1, m.fluid]
            expected, upper = (_kelvin(u, p[name]) for name in ("expected", "upper"))
            yield Compared(
                m.fluid,
                expected - m.peak_k,
                upper - m.upper_k,
                p["level"],
                m.level,
                by_plan[m.leg + leg + 1, m.fluid] - m.upper_k,
            )


def alike(outlook: Forecast, again: Forecast, first: int, last: int) -> int:
    """Count the first of the legs left that day, on which both make the same stops: the rerun plans its breaks anew."""

    def stops(made: Forecast, leg: int) -> list[str]:
        return sorted(span.kind for span in made.timeline.spans if span.leg == leg)

    for count, leg in enumerate(range(first, last + 1)):
        if stops(outlook, leg) != stops(again, count):
            return count
    return last + 1 - first


def _kelvin(u: Units, shown: float) -> float:
    """Undo `Units.temp`."""
    return (shown - u.zero_k) * u.kelvin_per_degree + 273.15


def table(found: list[Compared], number: int) -> str:
    """Lay out the comparison, the harder figure first."""
    calm = sum(one.page == "ample" and one.rerun == "exceeded" for one in found)
    calmer = sum(severity(one.page) < severity(one.rerun) for one in found)
    sterner = sum(severity(one.page) > severity(one.rerun) for one in found)
    said = (
        f"{number} tries, {len(found)} figures. Ample on the page where the rerun says exceeded: {calm}. Calmer on the "
        f"page than in the rerun: {100.0 * calmer / len(found):.1f} %, sterner: {100.0 * sterner / len(found):.1f} %."
    )
    each = ("cooler by more", "nine in ten within")
    heading = ("fluid", "upper edge within 1.5 K", *each, "expected within 1.5 K", *each)
    rows = []
    for fluid in [*dict.fromkeys(one.fluid for one in found), "all"]:
        some = [one for one in found if fluid in (one.fluid, "all")]
        plain = np.abs([one.planned_k for one in some])
        cells = []
        for name in ("upper_k", "expected_k"):
            off = np.array([getattr(one, name) for one in some])
            cells += [f"{100.0 * np.mean(share):.0f} %" for share in (np.abs(off) <= CLOSE_K, off < -CLOSE_K)]
            cells.append(f"{np.quantile(np.abs(off), 0.9):.1f} K")
        rows.append((fluid.replace("_", " "), *cells, f"{np.quantile(plain, 0.9):.1f} K"))
    table = basics.table((*heading, "upper edge of the plan as printed, nine in ten within"), rows)
    return f"{said}\n\n{table}"


if __name__ == "__main__":
    main()
