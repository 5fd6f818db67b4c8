"""The long campaign: cases without end against every reader, guided by what they cover of the project.

Run `python tests/fuzz/campaign.py [target ...] [--cases N] [--seconds S]`; needs the extra `fuzz`. Each target runs in
a process of its own. What breaks the contract is kept under tests/fuzz/found, where the ordinary tests replay it.
"""

import argparse
import importlib
import importlib.util
import os
import random
import re
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE), str(HERE.parent / "shared")]

MODULES = ("targets_files", "targets_web")
FOUND = HERE / "found"
# The compiler reads the bytecode of these, which must stay as it is.
_COMPILED = (
    *(f"thermal.{name}" for name in ("kernel", "gears", "error_kernel", "chances", "compiled", "compiler", "machine")),
    "planner.analysis.alarm_marks",
)
_SLACK = 4.0  # code that counts what it covers is so much slower
_LIBRARY_S = 60


def targets() -> dict:
    """All targets of the modules that are there."""
    found = {}
    for name in MODULES:
        if importlib.util.find_spec(name) is not None:
            found |= importlib.import_module(name).TARGETS
    return found


def folder_of(target: str) -> Path:
    """Where a target's faults are kept."""
    return FOUND / (re.sub(r"[^a-z0-9.]+", "-", target.casefold()).strip("-."))


def keep(target: str, data: bytes) -> None:
    """Store a case that breaks the contract without slack too; of one fault the shortest."""
    from contract import fault_of

    fault = fault_of(targets()[target][0], data)
    if fault is None:
        return
    path = folder_of(target) / f"{fault.name}.case"
    if not path.exists() or len(data) < path.stat().st_size:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        print(f"FAULT {target}: {fault.name}\n{fault.text}", file=sys.stderr, flush=True)


def child(target: str, cases: int, seconds: int) -> None:
    """Run one target until it is done; atheris ends the process."""
    import atheris

    with atheris.instrument_imports(include=["planner", "thermal"], exclude=list(_COMPILED)):
        run, seeds = targets()[target]
    from contract import SECONDS, fault_of
    from mutate import mutate

    def one(data: bytes) -> None:
        if fault_of(run, data, seconds=_SLACK * SECONDS) is not None:
            keep(target, data)

    def change(data: bytes, max_size: int, seed: int) -> bytes:
        rng = random.Random(seed)
        return (atheris.Mutate(data, max_size) if rng.random() < 0.15 else mutate(data, rng))[:max_size]

    corpus = Path(tempfile.mkdtemp(prefix="corpus-"))
    for number, seed in enumerate(seeds):
        (corpus / f"seed-{number}").write_bytes(seed)
    options = [f"-runs={cases}", f"-max_total_time={seconds}", "-max_len=65536", "-len_control=0", "-seed=1"]
    options += [f"-timeout={_LIBRARY_S}", "-rss_limit_mb=4000", "-print_final_stats=1", f"-artifact_prefix={corpus}/"]
    atheris.Setup([sys.argv[0], *options, str(corpus)], one, custom_mutator=change)
    atheris.Fuzz()


def row(target: str, cases: int, seconds: int) -> str:
    """Run one target in a process of its own and say how it went."""
    command = [sys.executable, __file__, target, "--child", f"--cases={cases}", f"--seconds={seconds}"]
    done = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
    faults = set(re.findall(r"^FAULT .*: (\S+)$", done.stderr, re.MULTILINE))
    print(done.stderr[-200:] if "cov:" not in done.stderr else "", end="", file=sys.stderr)
    ran = re.findall(r"number_of_executed_units:\s*(\d+)|^#(\d+)\s", done.stderr, re.MULTILINE)
    edges = re.findall(r"cov: (\d+)", done.stderr)
    count = max((int(a or b) for a, b in ran), default=0)
    if done.returncode not in (0, 1) or not ran:
        print(done.stderr[-3000:], file=sys.stderr)
    more = "" if done.returncode == 0 else f" (ended with {done.returncode})"
    return f"| {target} | {count:,} | {edges[-1] if edges else '-'} | {', '.join(sorted(faults)) or '-'}{more} |"


def main() -> None:
    """Read the command and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", nargs="*", help="names; all when none is given")
    parser.add_argument("--cases", type=int, default=100_000, help="cases for each target")
    parser.add_argument("--seconds", type=int, default=600, help="most time for each target")
    parser.add_argument("--child", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.child:
        child(asked.target[0], asked.cases, asked.seconds)
    known = list(targets())
    unknown = [name for name in asked.target if name not in known]
    if unknown:
        parser.error(f"no target {', '.join(unknown)}; there are: {', '.join(known)}")
    print("| target | cases | edges | faults |\n|---|---|---|---|", flush=True)
    for target in asked.target or known:
        print(row(target, asked.cases, asked.seconds), flush=True)


if __name__ == "__main__":
    # What the tests compiled and kept names their modules otherwise.
    os.environ.setdefault("NUMBA_CACHE_DIR", str(Path(tempfile.gettempdir()) / "grademargin-fuzz"))
    main()
