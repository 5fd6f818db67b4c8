"""Single typing errors in three shipped trips: refused, told, or silent, and how far a margin moves.

Run: .venv/bin/python docs/make_slips.py [SLIPS [SEED]]; with 1,000 slips, half an hour, it writes docs/slips.md. Each
slip miswrites one number of the tables, of trip.toml or of vehicle.toml as a hand does: a digit dropped, swapped with
its neighbour, changed or doubled, a zero dropped or added, a sign lost or gained. Told means that `check` has a line
that it does not have for the trip as shipped, whichever file it names. A margin moves by the largest change of a
fluid's smallest margin, over the trip and, where it is within 30 K of a limit, on any leg.
"""

import random
import re
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import basics

from planner.analysis.weighed import doubts_of, margins_of, moved_k
from planner.files.folder import example_folder, open_folder
from planner.forecast.assemble import Inputs
from planner.model.errors import PlannerError
from planner.route.graph import choose_route
from planner.weather.sources import NO_WEATHER
from thermal.errors import ThermalError

SEED, SLIPS, TODAY = 20_271_129, 1000, date(2027, 1, 1)
TRIPS = ("wilmington-astoria", "alps", "benchmark")
_COLUMNS = {"places.csv": {"lat", "lon", "elevation", "high", "low"}, "legs.csv": {"distance", "speed"}}
_TOML_SHARE = 0.15  # of slips, in trip.toml and vehicle.toml; the rest in the tables
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
_MATTERS_K, _MUCH_K = 3.0, 8.0
_ABOUT = """*Told*: `check` has a line about it; `plan` repeats those that move a margin by 3 K. *Silent*: nothing
is said. A margin moves by the largest change of a fluid's smallest margin, over the trip and, where within 30 K of a
limit, on any leg. The slips are drawn by this project's own rules of how hands err, so the shares are not those of
real typing.
"""


@dataclass(frozen=True)
class Slip:
    """One number written wrong, and its consequence."""

    trip: str
    where: str
    kind: str
    before: str
    after: str
    outcome: str
    moved_k: float = 0.0


def slips_of(text: str) -> Iterator[tuple[str, str]]:
    """Every way in which a number may be written wrong, by kind."""
    digits = [i for i, sign in enumerate(text) if sign.isdigit()]
    for i in digits:
        if len(digits) > 1:
            last_zero = text[i] == "0" and i == len(text) - 1
            yield "a zero dropped" if last_zero else "a digit dropped", text[:i] + text[i + 1 :]
        yield "a digit doubled", text[:i] + text[i] + text[i:]
        for other in "0123456789":
            if other != text[i]:
                yield "a digit changed", text[:i] + other + text[i + 1 :]
        if i + 1 in digits and text[i] != text[i + 1]:
            yield "two digits swapped", text[:i] + text[i + 1] + text[i] + text[i + 2 :]
    yield "a zero added", text + "0"
    yield "a sign", text[1:] if text.startswith("-") else f"-{text}"


def numbers_of(folder: Path) -> dict[str, list[tuple[str, int, int, str]]]:
    """Every number that may be written wrong, by file: column or key, from, to, text."""
    found: dict[str, list[tuple[str, int, int, str]]] = {}
    for file, columns in _COLUMNS.items():
        at, heads = 0, []
        for number, line in enumerate((folder / file).read_text(encoding="utf-8").splitlines(keepends=True)):
            cells = re.split(r',(?=(?:[^"]*"[^"]*")*[^"]*$)', line.rstrip("\r\n"))
            heads = heads or [cell.split(" ")[0] for cell in cells]
            start = at
            for head, cell in zip(heads, cells, strict=False):
                if number and head in columns and _NUMBER.fullmatch(cell):
                    found.setdefault(file, []).append((head, start, start + len(cell), cell))
                start += len(cell) + 1
            at += len(line)
    for file in ("trip.toml", "vehicle.toml"):
        at = 0
        for line in (folder / file).read_text(encoding="utf-8").splitlines(keepends=True):
            said = re.match(r"\s*(\w+)\s*=\s*(\{value\s*=\s*)?", line)
            if said and said[1] not in ("base", "name", "start_place", "source", "via", "nights", "route"):
                text = line[: line.find("source")] if "source" in line else line.split("#")[0]
                for one in _NUMBER.finditer(text, said.end()):
                    found.setdefault(file, []).append((said[1], at + one.start(), at + one.end(), one[0]))
            at += len(line)
    return found


def draw(
    rng: random.Random, numbers: dict[str, list[tuple[str, int, int, str]]]
) -> tuple[str, str, int, int, str, str, str]:
    """One slip: file, key, from, to, text, kind, wrong text; every kind as likely."""
    tables = [(file, *one) for file in _COLUMNS for one in numbers[file]]
    keys = [(file, *one) for file in ("trip.toml", "vehicle.toml") for one in numbers.get(file, [])]
    file, key, start, end, text = rng.choice(keys if rng.random() < _TOML_SHARE else tables)
    ways = list(slips_of(text))
    kind = rng.choice(sorted({kind for kind, _ in ways}))
    return file, key, start, end, text, kind, rng.choice([wrong for one, wrong in ways if one == kind])


def margins_and_doubts(folder: Path) -> tuple[dict[tuple[int, str], float], set[str]]:
    """Margins of a trip, and the lines of `check` about it."""
    trip, car = open_folder(folder)
    inputs = Inputs(trip=trip, car=car, known=NO_WEATHER)
    doubts = doubts_of(inputs, choose_route(trip), today=TODAY)
    return margins_of(trip, car, inputs), {doubt.line for doubt in doubts}


class Trial:
    """One shipped trip, and what its slips do to it."""

    def __init__(self, name: str) -> None:
        self.name, self.folder = name, example_folder(name)
        self.numbers = numbers_of(self.folder)
        self.margins, self.told = margins_and_doubts(self.folder)

    def run(self, rng: random.Random) -> Slip:
        """Make one slip and record its consequence."""
        file, key, start, end, text, kind, wrong = draw(rng, self.numbers)
        slip = Slip(self.name, f"{file} {key}", kind, text, wrong, "refused")
        with tempfile.TemporaryDirectory() as held:
            folder = Path(held) / "trip"
            shutil.copytree(self.folder, folder)
            whole = (self.folder / file).read_text(encoding="utf-8")
            (folder / file).write_text(whole[:start] + wrong + whole[end:], encoding="utf-8")
            try:
                after, said = margins_and_doubts(folder)
            except (PlannerError, ThermalError):
                return slip
        told = bool(said - self.told)
        return replace(slip, outcome="told" if told else "silent", moved_k=moved_k(self.margins, after))


def page(done: list[Slip], seed: int) -> str:
    """The page for docs/."""
    heads = ("all", "refused", "told", "silent, under 3 K", "silent, 3 to 8 K", "silent, 8 K or more")
    kinds = sorted({slip.kind for slip in done})
    wheres = sorted({slip.where for slip in done})

    def row(name: str, own: list[Slip]) -> tuple[object, ...]:
        outcome = Counter(slip.outcome for slip in own)
        silent = [slip.moved_k for slip in own if slip.outcome == "silent"]
        light = sum(k < _MATTERS_K for k in silent)
        much = sum(k >= _MUCH_K for k in silent)
        return name, len(own), outcome["refused"], outcome["told"], light, len(silent) - light - much, much

    rows = [row(kind, [slip for slip in done if slip.kind == kind]) for kind in kinds]
    rows += [row(f"**{name}**", [slip for slip in done if slip.trip == name]) for name in TRIPS]
    rows.append(row("**all**", done))
    by_where = [row(f"`{where}`", [slip for slip in done if slip.where == where]) for where in wheres]
    worst = sorted((slip for slip in done if slip.outcome == "silent"), key=lambda slip: -slip.moved_k)[:12]
    tail = [f"- {s.trip}, {s.where}: {s.before} written {s.after}, {s.moved_k:.1f} K" for s in worst]
    return "\n".join(
        (
            "# Slips of the pen\n",
            f"Written by `python docs/make_slips.py` with seed {seed}; do not edit it by hand.",
            f"{len(done):,} single numbers of three shipped trips were written wrong, one at a time.",
            _ABOUT,
            basics.table(("slip", *heads), rows) + "\n",
            basics.table(("where", *heads), by_where) + "\n",
            "The silent ones that move a margin most:\n",
            *tail,
            "",
        )
    )


def main() -> None:
    """Make all slips, and write the page."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else SLIPS
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else SEED
    rng, done = random.Random(seed), []
    for number, name in enumerate(TRIPS):
        trial = Trial(name)
        for _ in range(count // len(TRIPS) + (number < count % len(TRIPS))):
            done.append(trial.run(rng))
            if len(done) % 50 == 0:
                print(len(done), "done", flush=True)
            if done[-1].outcome == "silent" and done[-1].moved_k >= _MATTERS_K:
                print(done[-1], flush=True)
        print(name, len(done), Counter(slip.outcome for slip in done), flush=True)
    text = page(done, seed)
    print(text)
    if count == SLIPS:
        (basics.DOCS / "slips.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
