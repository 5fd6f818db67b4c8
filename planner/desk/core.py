"""The desk's state: one trip folder, its forecast, and listeners for changes.

An edit is read, its road chosen and its margins updated from a few draws before it is saved and answered. The full
forecast, then the remedies, follow in a thread; a newer edit aborts them.
"""

import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

from planner.analysis.margins import fluids_of, gravest
from planner.analysis.quick import Base, Quick, make_base, quick
from planner.analysis.remedies import find_remedies
from planner.analysis.weighed import weighed
from planner.desk import actions, applied
from planner.desk.folder import ChangedOnDiskError, Files, TripFolder
from planner.forecast.assemble import Inputs, find_route, make_forecast, taught
from planner.model.errors import PlannerError, TripError
from planner.output.outcome import headline
from planner.output.report import Report, make_report
from planner.route.timeline import Route
from thermal.fluids import fluid_of

_SETTLE_S = 0.3  # between an edit and the full forecast, as another edit may follow
_LOOK_S = 1.0  # between checks of the disk
_MOST_KEPT = 30


class StaleError(PlannerError):
    """The request is about an older state of the trip; nothing was done."""


class _SupersededError(Exception):
    """A newer state must be computed."""


class Desk:
    """One trip on the desk. Every method may be called from any thread."""

    def __init__(self, path: Path) -> None:
        self.folder = TripFolder(path=path)
        self.lock = threading.RLock()
        self.revision, self.words = 0, "as opened"
        self.problems: tuple[str, ...] = ()
        self.inputs: Inputs | None = None
        self.route: Route | None = None
        self.quick: Quick | None = None
        self.base: Base | None = None
        self.report: Report | None = None
        self.stage = "none"  # "none", "quick", "full", "whole"
        self.doing = ""
        self.kept: deque[dict[str, Any]] = deque(maxlen=_MOST_KEPT)  # summary of the trip after each change
        self.listeners: list[Callable[[], None]] = []
        self.closing: list[Callable[[], None]] = []
        self._ticket = 0
        self._news = threading.Condition()
        self._stop = False
        self._thread = threading.Thread(target=self._work, name="forecast", daemon=True)

    def start(self) -> None:
        """Read the folder, if it exists, and begin to forecast."""
        if self.folder.exists():
            self.reload("as opened")
        self._thread.start()

    def close(self) -> None:
        """Stop the thread and remove the copy of the folder."""
        self._stop = True
        self._wake()
        if self._thread.is_alive():
            self._thread.join(timeout=5.0)
        self.folder.close()
        for work in self.closing:
            work()

    # --- what changes the trip ---

    def reload(self, words: str) -> None:
        """Read the folder from disk."""
        with self.lock:
            self.revision += 1
            self.words, self.quick, self.report = words, None, None
            self.problems, self.stage = (), "none"
            try:
                self.folder.load()
                self.inputs = self.folder.inputs()
                self.route = self._seen(self.inputs)
            except PlannerError as exc:
                self.inputs, self.route = None, None
                self.problems = exc.problems if isinstance(exc, TripError) else tuple(str(exc).split("\n"))
        self._wake()
        self.tell()

    def readable(self) -> tuple[Inputs, Route]:
        """The trip and its route; refused if the trip cannot be read."""
        with self.lock:
            if self.inputs is None or self.route is None:
                message = "the trip cannot be read yet"
                raise PlannerError(message)
            return self.inputs, self.route

    def edit(self, revision: int, kind: str, asked: actions.Asked) -> None:
        """Make one edit, or refuse it without writing."""
        with self.lock:
            route = self._ready(revision)
            self._make(lambda: actions.edit(self.folder, route, kind, asked))

    def apply(self, revision: int, number: int, choice: int) -> None:
        """Write a remedy into the files, by its position in the report's lists."""
        with self.lock:
            self._ready(revision)
            report = self.report
            if report is None or not 0 <= number < len(report.remedies):
                message = "the remedies are being computed again; try again in a moment"
                raise StaleError(message)
            day = report.remedies[number]
            if not 0 <= choice < len(day.choices):
                message = "there is no such remedy"
                raise PlannerError(message)
            self._make(lambda: applied.apply(self.folder, report.outlook, day.day, day.choices[choice]))

    def back(self, revision: int, *, again: bool) -> None:
        """Undo the last change, or redo the last one undone."""
        with self.lock:
            self._ready(revision)
            self._pause()
            try:
                step = self.folder.back(again=again)
                self.inputs = self.folder.inputs()
                self.route = self._seen(self.inputs)
            finally:
                self._wake()
            self._changed(step.words if again else f"undone: {step.words}")

    def _ready(self, revision: int) -> Route:
        """Refuse a request made on an older state."""
        if revision != self.revision:
            message = "the trip was changed in another window or on disk; check the page, which shows it, and try again"
            raise StaleError(message)
        if changed := self.folder.changed():
            self._disk(changed)
            message = f"{', '.join(changed)}: changed on disk; check the page, which shows it, and try again"
            raise ChangedOnDiskError(message)
        if self.route is None:
            message = "the trip cannot be read yet; correct the problems shown first"
            raise PlannerError(message)
        return self.route

    def _make(self, make: Callable[[], actions.Done]) -> None:
        """Read changed files, choose the road, update the margins, save."""
        files, words = make()
        files = {name: text for name, text in files.items() if text != self.folder.text(name)}
        if not files:
            return
        self._pause()
        try:
            self._try(files, words)
        finally:
            self._wake()

    def _try(self, files: Files, words: str) -> None:
        inputs = self.folder.inputs(files)
        before = self.quick, self.route
        try:
            route = self._seen(inputs)
            self.folder.save(files, words)
        except Exception:
            self.quick, self.route = before
            self.folder.forget(files)
            raise
        self.inputs, self.route = inputs, route
        self._changed(words)

    def _seen(self, inputs: Inputs) -> Route:
        """Choose the road, and update the margins if there is a forecast."""
        if self.base is None:
            self.quick = None
            return find_route(inputs)
        self.quick = quick(self.base, inputs)
        return self.quick.route

    def _changed(self, words: str) -> None:
        self.revision += 1
        self.words, self.report, self.problems = words, None, ()
        self.stage = "none" if self.quick is None else "quick"
        self.tell()

    def _disk(self, changed: tuple[str, ...]) -> None:
        self.reload(f"changed on disk: {', '.join(changed)}")

    def tell(self) -> None:
        """Notify all listeners of a change."""
        for listener in list(self.listeners):
            with suppress(RuntimeError):  # its loop is closed
                listener()

    # --- what follows ---

    def wait_whole(self, timeout_s: float = 600.0) -> Report:
        """Wait for the report, with remedies, of the current trip."""
        until = time.monotonic() + timeout_s
        while time.monotonic() < until and not self._stop:
            with self.lock:
                if self.problems:
                    raise TripError(list(self.problems))
                if self.stage == "whole" and self.report is not None:
                    return self.report
            time.sleep(0.05)
        message = "the forecast takes too long; try again"
        raise PlannerError(message)

    def _pause(self) -> None:
        """Abort the current computation."""
        self._ticket += 1

    def _wake(self) -> None:
        with self._news:
            self._ticket += 1
            self._news.notify_all()

    def _work(self) -> None:
        """Forecast whenever the trip changes; check the disk in between."""
        done = -1
        while not self._stop:
            with self._news:
                if self._ticket == done:
                    self._news.wait(_LOOK_S)
            if self._stop:
                return
            if self._ticket == done:
                self._look()
                continue
            done = self._ticket
            with suppress(_SupersededError):
                self._compute(done)

    def _look(self) -> None:
        """Reload if files changed on disk."""
        with self.lock:
            if self.revision == 0 and not self.folder.exists():
                return
            try:
                changed = self.folder.changed()
            except PlannerError as exc:
                changed = (str(exc),)
            if changed:
                self._disk(changed)

    def _compute(self, ticket: int) -> None:
        """Compute the full forecast, then the remedies."""
        time.sleep(_SETTLE_S if self.base is not None else 0.0)
        with self.lock:
            inputs, stage = self.inputs, self.stage
        if inputs is None or stage == "whole":
            return

        def check(words: str) -> None:
            if self._ticket != ticket or self._stop:
                raise _SupersededError
            if words != self.doing:
                self.doing = words
                self.tell()

        try:
            self._forecast(inputs, check)
        except (_SupersededError, KeyboardInterrupt):
            raise
        except Exception as exc:  # an internal error too: the page must not wait for ever
            check("")
            fault = "" if isinstance(exc, PlannerError) else f"internal error ({type(exc).__name__}): "
            with self.lock:
                self.problems = tuple(f"{fault}{exc}".split("\n"))
        self.doing = ""
        self.tell()

    def _forecast(self, inputs: Inputs, check: Callable[[str], None]) -> None:
        check("forecasting")
        known = taught(inputs, progress=check)
        outlook = make_forecast(known, progress=check)
        check("computing margins")
        report = make_report(outlook, remedies=False, today=date.today(), progress=check)
        self._publish(report, "full", check)
        self.base = make_base(known, outlook, report.unknowns)
        remedies = find_remedies(outlook, report.margins, progress=check)
        check("evaluating suspicious values")
        same = Inputs(trip=outlook.trip, car=outlook.car, known=outlook.known)
        whole = replace(report, remedies=remedies, doubts=weighed(same, report.doubts))
        self._publish(whole, "whole", check)

    def _publish(self, report: Report, stage: str, check: Callable[[str], None]) -> None:
        check(self.doing)
        with self.lock:
            check(self.doing)
            self.report, self.stage, self.quick = report, stage, None
            self.route = report.outlook.route
            if not self.kept or self.kept[-1]["revision"] != self.revision:
                self.kept.append({"revision": self.revision, "words": self.words, **summary(report)})
        self.tell()


def summary(report: Report) -> dict[str, Any]:
    """Values by which two states of a trip are compared."""
    u, outlook = report.units, report.outlook
    fluids = {}
    for fluid in fluids_of(outlook):
        worst = gravest(m for m in report.margins if m.fluid == fluid)
        fluids[fluid_of(fluid).label] = [round(float(u.diff(worst.margin_k)), 1), worst.level]
    driving_s = sum(day.driving_s for day in outlook.timeline.days)
    return {
        "headline": headline(report),
        "fluids": fluids,
        "days": len(outlook.timeline.days),
        "distance": round(float(u.dist(sum(leg.distance_m for leg in outlook.legs)))),
        "driving": round(driving_s / 3600.0, 1),
        "departure": f"{outlook.trip.departure:%Y-%m-%d %H:%M}",
        "unit": u.temperature,
        "distance_unit": u.distance,
    }
