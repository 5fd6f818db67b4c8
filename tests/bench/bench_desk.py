"""Time from an edit at the desk to its margins, on the worked example, as a ratio to a whole plan; and error.

For each edit the desk reads it, chooses the road, drives the days with a few draws, writes the file and makes the
overview, as for the page; then it undoes the edit, so that each is the one change since the full forecast. The plan is
the command's work in the same process, files included. Processor time. Run: python tests/bench/bench_desk.py
"""

import resource
import shutil
import statistics
import tempfile
import time
from pathlib import Path

import planner
from planner.analysis.margins import find_margins
from planner.desk.core import Desk
from planner.desk.looks import overview
from planner.forecast.assemble import make_forecast

ROOT = Path(__file__).resolve().parents[2]
EXAMPLE = ROOT / "data" / "examples" / "wilmington-astoria"
SPEEDS = ((3, "55"), (20, "55"), (39, "42"), (60, "50"), (77, "38"), (95, "70"))
EDITS = (
    *(("a speed", "leg", {"leg": leg, "column": "speed", "value": value}) for leg, value in SPEEDS),
    *(("a switch", "leg", {"leg": leg, "column": "air_conditioning", "value": "no"}) for leg in (30, 88)),
    *(("an hour", "morning", {"day": day, "at": at}) for day, at in ((0, "08:00"), (4, "06:30"), (9, "09:00"))),
    *(("a halt", "halt", {"stop": stop, "minutes": 25, "engine": "off"}) for stop in (10, 50, 80)),
    ("a night", "night", {"from": -1, "to": 30}),
    ("a rule", "setting", {"key": "day.driving", "value": "7 h"}),
    *(
        ("the car", "car", {"key": key, "value": value, "source": "bench"})
        for key, value in (
            ("trailer.mass", "1500 lb"),
            ("cooling.cap_pressure", "16 psi"),
            ("body.mass", "1800 kg"),
            ("engine_oil.sort", "synthetic"),
        )
    ),
)
CHECKED = (2, 8, 13, 14, 17)  # after these edits the full forecast is made too


def used_s() -> float:
    """Processor time of this process. [s]."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def full_plan_s(folder: Path) -> float:
    """Processor time of a whole plan, the compiled code loaded. [s]."""
    before = used_s()
    planner.plan(folder).write(folder / "out")
    return used_s() - before


def main() -> None:
    """Print a row for each edit, then median and worst."""
    with tempfile.TemporaryDirectory() as held:
        folder = Path(held) / "trip"
        shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("logs", "out"))
        plan_s = min(full_plan_s(folder) for _ in range(2))
        desk = Desk(folder)
        desk.reload("as opened")
        desk._compute(desk._ticket)
        print(f"a whole plan: {plan_s:.1f} s of processor time", flush=True)
        rows = []
        for number, (kind, name, asked) in enumerate(EDITS):
            before, wall = used_s(), time.perf_counter()
            desk.edit(desk.revision, name, asked)
            overview(desk)
            spent, wall = used_s() - before, time.perf_counter() - wall
            days = len(desk.quick.days) if desk.quick else 0
            rows.append((kind, spent / plan_s))
            said = (
                f"{kind:9} {spent:.2f} s, {100 * spent / plan_s:.1f} % of a plan, {days} days driven, wall {wall:.2f} s"
            )
            print(said + (error_of(desk) if number in CHECKED else ""), flush=True)
            desk.back(desk.revision, again=False)
        shares = sorted(share for _, share in rows)
        median, worst = 100 * statistics.median(shares), 100 * shares[-1]
        print(f"{len(rows)} edits: median {median:.1f} %, worst {worst:.1f} % of a plan")
        desk.close()


def error_of(desk: Desk) -> str:
    """How far the quick look is off the full forecast of the same files."""
    full = {(m.leg, m.fluid): m for m in find_margins(make_forecast(desk.inputs))}
    pairs = [(m, full[m.leg, m.fluid]) for m in desk.quick.margins]
    off = [quick.margin_k - whole.margin_k for quick, whole in pairs]
    close = [abs(x) for x, (_, whole) in zip(off, pairs, strict=True) if whole.margin_k < 20.0]
    calm = sum(quick.level == "ample" and whole.level != "ample" for quick, whole in pairs)
    other = sum(quick.level != whole.level for quick, whole in pairs)
    rms = (sum(x * x for x in off) / len(off)) ** 0.5
    return (
        f"; off by {rms:.2f} K rms, {max(map(abs, off)):.2f} at most, {max(close, default=0.0):.2f} where under 20 K; "
        f"{other} of {len(off)} levels otherwise, {calm} of them too calm"
    )


if __name__ == "__main__":
    main()
