"""Hundreds of kills, spread over whole runs and over their writing: python tests/knocks/kills.py [KILLS].

Prints one line for every command and signal: how often it was stopped, what was found, how the next run ended.
"""

import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import warm

from planner.files import wholefile
from planner.files.vehicles import write_fitted
from planner.files.wholefile import is_part
from planner.model.paths import data_folder
from planner.weather import command
from planner.weather.store import save_json
from thermal.posterior import Posterior

sys.path.append(str(Path(__file__).parents[1] / "shared"))
import loopback
import made_up

DEPARTURES = ('"2027-07-10 14:00"', '"2027-07-11 06:00"')
SIGNALS = (signal.SIGKILL, signal.SIGTERM, signal.SIGINT)
LOG = data_folder() / "examples" / "wilmington-astoria" / "logs"


def mine(files: dict[str, str]) -> dict[str, str]:
    """What the user put there."""
    return {name: held for name, held in files.items() if not name.startswith("out/") and not is_part(Path(name).name)}


def generated(folder: Path) -> dict[str, str]:
    """Files written into out/, unfinished files left out; a calendar, which keeps earlier plans, need be whole only."""
    files = {n: held for n, held in warm.state(folder).items() if n.startswith("out/") and not is_part(Path(n).name)}
    for name in (name for name in files if name.endswith(".ics")):
        if (folder / name).read_text(encoding="utf-8").rstrip().endswith("END:VCALENDAR"):
            files[name] = "whole"
    return files


def depart(folder: Path, turn: int) -> None:
    """Give the trip one of two departures, as an owner would who edits the file."""
    text = (folder / "trip.toml").read_text(encoding="utf-8")
    for other in DEPARTURES:
        text = text.replace(other, DEPARTURES[turn % 2])
    (folder / "trip.toml").write_text(text, encoding="utf-8")


class Tally:
    """Counts for one line of the report."""

    def __init__(self, name: str) -> None:
        self.name, self.codes, self.faults, self.mixed = name, {}, [], 0
        self.began_s = time.monotonic()

    def add(self, code: int, said: str, *, wanted: Sequence[int]) -> None:
        """Note how a stopped run ended."""
        self.codes[code] = self.codes.get(code, 0) + 1
        if code not in wanted or "Traceback" in said or "Exception ignored" in said:
            self.faults.append(f"exit {code}: {said[-700:]}")

    def check(self, sound: bool, words: str) -> None:
        """Note a fault."""
        if not sound:
            self.faults.append(words)

    def tell(self) -> None:
        """Print the line."""
        count, took_s = sum(self.codes.values()), time.monotonic() - self.began_s
        print(
            f"{self.name}: {count} runs in {took_s:.0f} s, exits {self.codes}, mixed sets {self.mixed}, "
            f"faults {len(self.faults)}",
            flush=True,
        )
        for fault in self.faults[:3]:
            print(f"    {fault}", flush=True)


def codes_of(number: int) -> tuple[int, ...]:
    """How a run may end that gets a signal, or has ended before it comes."""
    return (0, -9) if number == signal.SIGKILL else (0, 128 + number, -number)


def plans(folder: Path, err: Path, number: int, kills: int, *, span_s: float) -> Tally:
    """Stop whole plans."""
    tally = Tally(f"plan, {signal.Signals(number).name}")
    known: list[dict[str, str]] = []
    for turn in (0, 1):
        depart(folder, turn)
        tally.check(warm.run("plan", folder).code == 0, "the plan before failed")
        known.append(generated(folder))
    for turn in range(kills):
        depart(folder, turn)
        owned = mine(warm.state(folder))
        code = warm.knock(["plan", folder], number, after_s=random.uniform(0.0, span_s), err=err)
        tally.add(code, err.read_text(encoding="utf-8"), wanted=codes_of(number))
        found = warm.state(folder)
        tally.check(mine(found) == owned, "a file of the user changed")
        out = generated(folder)
        tally.check(set(out) == set(known[0]), f"files in out/: {sorted(out)}")
        tally.check(all(held in (known[0][n], known[1][n]) for n, held in out.items()), "a file is not whole")
        tally.mixed += out not in known
        tally.check(number == signal.SIGKILL or not warm.parts(folder), "litter after a signal that can be heard")
    tally.check(warm.run("plan", folder).code == 0, "the plan after failed")
    tally.check(not warm.parts(folder), "litter after the next plan")
    return tally


def news(home: Path, err: Path, number: int, kills: int) -> Tally:
    """Stop the making of new folders, into none or into an empty one."""
    tally, folder = Tally(f"new, {signal.Signals(number).name}"), home / "made"
    assert warm.run("new", folder, "--example", "alps").code == 0
    whole = warm.state(folder)
    shutil.rmtree(folder)
    for turn in range(kills):
        if turn % 2:
            folder.mkdir()
        argv = ["new", folder, "--example", "alps"]
        code = warm.knock(argv, number, after_s=random.uniform(0.0, 0.04), err=err)
        tally.add(code, err.read_text(encoding="utf-8"), wanted=codes_of(number))
        found = {n: held for n, held in (warm.state(folder) if folder.exists() else {}).items() if ".part/" not in n}
        tally.mixed += bool(found) and found != whole
        if not found:
            tally.check(warm.run(*argv).code == 0, "the next run failed")
            tally.check(warm.state(folder) == whole, "the next run did not make the whole folder")
            tally.check(not warm.parts(home), "litter after the next run")
        if folder.exists():
            shutil.rmtree(folder)
    return tally


def singles(
    name: str,
    target: Path,
    argv: Sequence[object],
    number: int,
    kills: int,
    *,
    span_s: float,
    call: Callable[[], object] | None = None,
    anew: bool = True,
) -> Tally:
    """Stop a command, or its last step, that writes one file; `anew` when the file must not be there before."""
    tally, err = Tally(f"{name}, {signal.Signals(number).name}"), target.parent.parent / "err"
    more = {"call": call} if call else {}
    target.unlink(missing_ok=True)
    first = warm.run(*argv, **more)
    tally.check(first.code == 0, f"the first run failed: {first.err}")
    whole, kept = target.read_bytes(), {n: h for n, h in warm.state(target.parent).items() if n != target.name}
    for _ in range(kills):
        if anew:
            target.unlink(missing_ok=True)
        code = warm.knock(argv, number, after_s=random.uniform(0.0, span_s), err=err, **more)
        tally.add(code, err.read_text(encoding="utf-8"), wanted=codes_of(number))
        tally.check(not target.exists() or target.read_bytes() == whole, "the file is not whole")
        now = {n: h for n, h in warm.state(target.parent).items() if n != target.name and not is_part(Path(n).name)}
        tally.check(now == kept, "another file changed")
        tally.check(
            number == signal.SIGKILL or not warm.parts(target.parent), "litter after a signal that can be heard"
        )
    if anew:
        target.unlink(missing_ok=True)
    tally.check(warm.run(*argv, **more).code == 0 and target.read_bytes() == whole, "the next run failed")
    tally.check(not warm.parts(target.parent), "litter after the next run")
    return tally


def commands(home: Path, kills: int) -> Iterator[Tally]:
    """Stop whole commands."""
    trip, err, logs = home / "trip", home / "err", home / "logs"
    shutil.copytree(LOG, logs)
    log = next(path for path in sorted(logs.iterdir()) if path.suffix == ".csv")
    mapping = log.with_name(log.stem + ".map.toml")
    for number in SIGNALS:
        yield plans(trip, err, number, kills // 2, span_s=1.2)
        yield news(home, err, number, kills)
        yield singles("log --write", mapping, ["log", log, "--describe", "--write"], number, kills // 2, span_s=0.4)


def fits(home: Path, kills: int) -> Iterator[Tally]:
    """Stop whole fits, on a log made up along the trip."""
    trip = home / "trip"
    depart(trip, 0)
    (trip / "logs").mkdir()
    path = trip / "logs" / "one.csv"
    made_up.write_first_leg(trip, path, {"axle_heat": 0.8})
    assert warm.run("log", path, "--describe", "--write").code == 0
    fitted = trip / "vehicle-fitted.toml"
    argv = ["fit", trip, path, "--learn", "axle_heat,axle_loss", "--on", "2027-07-11", "--out", fitted]
    began_s = time.monotonic()
    first = warm.run(*argv)
    assert first.code == 0, first.err
    span_s = time.monotonic() - began_s
    for number in SIGNALS:
        yield singles("fit", fitted, argv, number, kills // 2, span_s=span_s)
    fitted.unlink()


def weathers(home: Path, kills: int) -> Iterator[Tally]:
    """Stop the fetching of weather from services on this machine; what is kept must be usable every time."""
    trip, err = home / "trip", home / "err"
    soon = (datetime.now(UTC) + timedelta(days=3)).strftime("%Y-%m-%d 09:00")
    text = (trip / "trip.toml").read_text(encoding="utf-8")
    (trip / "trip.toml").write_text(text.replace(DEPARTURES[0], f'"{soon}"'), encoding="utf-8")
    server = loopback.Loopback()
    local = {"services": server.both(), "archive_url": server.url, "sleep": lambda _: None}
    command.run.__kwdefaults__.update(local)
    began_s = time.monotonic()
    assert warm.run("weather", trip).code == 0
    span_s = time.monotonic() - began_s
    for number in SIGNALS:
        tally = Tally(f"weather, {signal.Signals(number).name}")
        owned = mine(warm.state(trip))
        for turn in range(kills // 2):
            if turn % 2:
                shutil.rmtree(home / "grademargin", ignore_errors=True)
            known = (0,) if list(home.glob("grademargin/*/weather.json")) else (0, 3)  # 3: nothing is kept yet
            code = warm.knock(["weather", trip], number, after_s=random.uniform(0.0, span_s), err=err)
            tally.add(code, err.read_text(encoding="utf-8"), wanted=codes_of(number))
            then = warm.run("weather", trip, "--offline")
            left = [word for word in ("damaged", "aside", "corrupt", "cannot") if word in then.out + then.err]
            tally.check(then.code in known and not left, f"what was kept: exit {then.code}, {left}: {then.err[-300:]}")
            tally.check(mine(warm.state(trip)) == owned, "a file of the user changed")
        tally.check(warm.run("weather", trip).code == 0, "the next run failed")
        tally.check(not warm.parts(home), "litter after the next run")
        yield tally
    server.close()


def together(home: Path, rounds: int) -> Iterator[Tally]:
    """Two runs at once in one folder: all end well, and every file is whole."""
    trip, err = home / "trip", home / "err"
    for names in (("plan", "plan"), ("weather", "weather"), ("plan", "weather")):
        pair = [[name, trip] for name in names]
        tally = Tally(f"{' and '.join(names)} at once")
        for _ in range(rounds):
            running = [warm.start(argv, err=err.with_suffix(f".{n}")) for n, argv in enumerate(pair)]
            for n, pid in enumerate(running):
                tally.add(warm.end(pid), err.with_suffix(f".{n}").read_text(encoding="utf-8"), wanted=(0,))
            tally.check(not warm.parts(home), "litter")
            then = warm.run("weather", trip, "--offline")
            tally.check(then.code == 0 and "aside" not in then.err, f"what was kept: {then.err[-300:]}")
        yield tally


def writings(home: Path, kills: int) -> Iterator[Tally]:
    """Stop the writing alone: the same functions, with what was computed before."""
    trip, kept = home / "trip", home / "kept" / "weather.json"
    kept.parent.mkdir()
    files = {path.name: path.read_bytes() for path in (trip / "out").iterdir()}
    fitted = trip / "vehicle-fitted.toml"
    classes, posterior = data_folder() / "vehicles", Posterior(factors={}, correlation={})
    given = {"owner": trip / "vehicle.toml", "classes": classes, "changes": {}}
    given |= {"posterior": posterior, "head": "By hand."}
    for name, target, call in (
        ("out/, writing only", trip / "out" / "trip.html", lambda: wholefile.replace_files(trip / "out", files)),
        ("kept weather", kept, lambda: save_json(kept, {"fetched": [list(range(20_000))]})),
        ("fitted vehicle", fitted, lambda: write_fitted(fitted, **given)),
    ):
        for number in (signal.SIGKILL, signal.SIGINT):
            yield singles(name, target, [], number, 2 * kills, span_s=0.03, call=guarded(call), anew=target == fitted)


def guarded(call: Callable[[], object]) -> Callable[[], object]:
    """End as the program does when it is interrupted."""

    def run() -> None:
        try:
            call()
        except KeyboardInterrupt:
            raise SystemExit(128 + signal.SIGINT) from None

    return run


def campaign(home: Path, kills: int) -> int:
    """Run it all; the number of faults."""
    warm.load(home / "trip")
    faults = 0
    for part in (writings, commands, fits, weathers, together):
        for tally in part(home, kills):
            tally.tell()
            faults += len(tally.faults)
    return faults


if __name__ == "__main__":
    with tempfile.TemporaryDirectory(prefix="knocks ü '") as made:
        os.environ["HOME"] = os.environ["XDG_DATA_HOME"] = os.environ["XDG_CACHE_HOME"] = made
        sys.exit(campaign(Path(made), int(sys.argv[1]) if len(sys.argv) > 1 else 100) > 0)
