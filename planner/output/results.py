"""Results of the Python interface: DataFrames in SI units, plain data, files."""

import functools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from planner.forecast.assemble import Inputs
from planner.model import clock
from planner.model.doubt import Doubt
from planner.model.trip import Leg, Trip
from planner.output.picked import columns_of, picked

if TYPE_CHECKING:
    import pandas as pd

    from planner.analysis.alarm_marks import FluidAlarm
    from planner.analysis.alarms import Card, Reference
    from planner.analysis.sensitivity import Effect
    from planner.analysis.whatif import Outcome
    from planner.forecast.run import Forecast
    from planner.laps.run import SessionOutcome
    from planner.logs.drift import Drift
    from planner.logs.fit import Fitted, FluidMargin
    from planner.logs.review import Review
    from planner.output.report import Report
    from planner.output.road_shape import Shape


def _frame(rows: "Sequence[dict[str, Any]]", columns: Sequence[str] = ()) -> "pd.DataFrame":
    """Make a DataFrame that has all columns even without rows."""
    import pandas as pd

    return pd.DataFrame(list(rows), columns=list(columns) or None)


@dataclass(frozen=True)
class Plan:
    """A planned trip. Times are in the zone of the start; `zone` is the zone of their place."""

    report: "Report"

    @property
    def trip(self) -> str:
        """Name of the trip."""
        return self.report.outlook.trip.name

    @property
    def legs(self) -> "pd.DataFrame":
        """One row per leg: times, distance, highest expected temperature and smallest margin of every fluid."""
        from planner.output.report import leg_rows

        rows = []
        for row in leg_rows(self.report):
            leg = self.report.outlook.legs[row.leg]
            cells = {"day": row.day + 1, "leg": row.leg + 1} | picked(leg, "from=start to=finish road")
            cells |= picked(row, "depart arrive") | {"zone": self._zone(leg.finish)}
            cells |= picked(row, "distance_m climb_m air_k") | {"fuel_m3": row.fuel_l / 1000.0}
            for margin in row.margins:
                numbers = picked(margin, "peak_k limit_k margin_k probability")
                cells |= {f"{margin.fluid}_{name}": value for name, value in numbers.items()}
            rows.append(cells | picked(row.worst, "fluid margin_k level") | {"slowed": row.slowed})
        return self._timed(rows, "depart", "arrive")

    @property
    def days(self) -> "pd.DataFrame":
        """One row per day: places, times, distance, smallest margin."""
        from planner.output.report import day_rows

        rows = [
            {"day": row.day + 1, "from": row.start.key, "to": row.finish.key}
            | picked(row, "depart arrive")
            | {"zone": self._zone(row.finish.key)}
            | picked(row, "distance_m driving_s climb_m air_k")
            | picked(row.worst, "fluid margin_k level")
            for row in day_rows(self.report)
        ]
        return self._timed(rows, "depart", "arrive")

    @property
    def margins(self) -> "pd.DataFrame":
        """One row per leg and fluid: position and size of the smallest margin."""
        report, outlook = self.report, self.report.outlook
        days = {i: n + 1 for n, day in enumerate(outlook.timeline.days) for i in range(day.first, day.last + 1)}
        names = (
            "fluid peak_k limit_k margin_k margin_error_k=error_k least_k margin_as_described_k=nominal_margin_k "
            "probability level distance_m near time=when parked above_limit_s=above_s"
        )
        rows = [
            {"day": days[m.leg], "leg": m.leg + 1}
            | picked(outlook.legs[m.leg], "from=start to=finish")
            | picked(m, names)
            for m in report.margins
        ]
        return self._timed(rows, "time")

    @property
    def track(self) -> "pd.DataFrame":
        """One row per segment, at its end: car, air, expected and upper temperature of every fluid.

        The upper value is not exceeded at the trip's confidence.
        """
        import numpy as np
        import pandas as pd

        from thermal.fluids import ROTORS, fluids_in

        outlook, line = self.report.outlook, self.report.outlook.timeline
        drive, temps = line.drive, outlook.nominal.temps_k[0]
        kinds = np.empty(len(line.end_s), dtype=object)
        for span in line.spans:
            kinds[span.rows] = span.kind
        columns: dict[str, Any] = {
            "time": line.end_s,
            "day": drive.day.astype(int) + 1,
            "leg": drive.group.astype(int) + 1,
            "kind": kinds,
            "distance_m": line.end_m,
            "lat_deg": line.lat_deg,
            "lon_deg": line.lon_deg,
            "elevation_m": line.end_elevation_m,
            "speed_m_per_s": drive.speed_m_per_s,
            "grade": drive.grade,
            "slowed": line.slowed,
            "air_k": drive.air_k,
            "air_sd_k": line.air_sd_k,
        }
        for fluid in fluids_in(outlook.car.vehicle):
            columns |= {f"{fluid.key}_k": temps[:, fluid.node], f"{fluid.key}_upper_k": outlook.band_k[:, fluid.node]}
            columns[f"{fluid.key}_limit_k"] = outlook.nominal.limit_k[:, fluid.index]
        columns |= {"rotors_k": temps[:, ROTORS], "rotors_upper_k": outlook.band_k[:, ROTORS]}
        frame = pd.DataFrame(columns)
        frame["time"] = self._times(frame["time"], unit="s")
        return frame

    @property
    def remedies(self) -> "pd.DataFrame":
        """One row per remedy on a day with a thin margin: gain, and whether it suffices."""
        rows = [
            {"day": day.day + 1, "leg": day.leg + 1, "fluid": day.fluid}
            | picked(choice, "what=words kind suffices=works undecided")
            | {"lost_s": 60.0 * choice.minutes}
            | picked(choice, "margin_gained_k=gain_k margin_k margin_error_k=error_k probability note")
            for day in self.report.remedies
            for choice in day.choices
        ]
        names = (
            "day leg fluid what kind suffices undecided lost_s margin_gained_k margin_k margin_error_k probability note"
        )
        return _frame(rows, columns_of(names))

    @property
    def exceeded(self) -> bool:
        """Whether a limit is exceeded on a day without a sufficient remedy."""
        helped = {day.day for day in self.report.remedies if day.working}
        days = self.report.outlook.timeline.days
        legs = {leg for n, day in enumerate(days) if n not in helped for leg in range(day.first, day.last + 1)}
        return any(m.level == "exceeded" and m.leg in legs for m in self.report.margins)

    @property
    def sentences(self) -> tuple[str, ...]:
        """Sentences on every margin that is not ample."""
        from planner.output.report import whole_sentence

        return tuple(whole_sentence(self.report, margin) for margin in self.report.notable())

    def to_dict(self) -> dict[str, Any]:
        """The whole plan as plain data, as in plan.json."""
        from planner.output.export import plan_dict

        return plan_dict(self.report)

    def files(self, *, earlier: Sequence[Path] = ()) -> dict[str, str]:
        """The plan's files, name to text; the calendar updates the one in the folders of earlier plans."""
        from planner.forecast.room import give_back
        from planner.output.mapscene import make_scene, outlines

        scene = make_scene(self.report)
        give_back()  # before what draws the page is loaded, some 40 MB
        from maps import page
        from planner.output import export
        from planner.output.icsbefore import last_calendar
        from planner.output.write import to_json

        return {
            "trip.html": page.render(scene, basemap=outlines(self.report, scene)),
            "forecast.csv": export.forecast_csv(self.report),
            "plan.json": to_json(self.to_dict()),
            **export.exchange_files(self.report, last_calendar(*earlier)),
        }

    def write(self, folder: str | Path) -> tuple[Path, ...]:
        """Write trip.html, forecast.csv, plan.json, trip.gpx, trip.ics and trip.geojson, all or none."""
        from planner.output.write import PLAN_FILES, try_out, write_files

        target = Path(folder)
        try_out(target, PLAN_FILES, trip=self.report.outlook.trip.folder)
        files = self.files(earlier=(target, self.report.outlook.trip.folder / "out"))
        write_files(target, files)
        return tuple(target / name for name in files)

    def _zone(self, key: str) -> str:
        place = self.report.outlook.trip.places[key]
        return clock.zone_of(place.lat_deg, place.lon_deg)

    def _times(self, instants: "pd.Series[Any]", **how: Any) -> "pd.Series[pd.Timestamp]":
        import pandas as pd

        utc = pd.to_datetime(instants, utc=True, **how).dt.round("s")
        return utc.dt.tz_convert(self._zone(self.report.outlook.legs[0].start))

    def _timed(self, rows: Sequence[dict[str, Any]], *names: str) -> "pd.DataFrame":
        """Make a DataFrame whose time columns have one zone."""
        frame = _frame(rows)
        for name in names:
            frame[name] = self._times(frame[name])
        return frame


def ahead_of_files(report: "Report") -> "Iterator[None]":
    """Make what a plan's files need whatever the remedies are, piece by piece, for the report to keep."""
    from planner.forecast.room import give_back
    from planner.output.mapscene import make_scene, outlines, pieces

    yield from pieces(report)
    give_back()
    from maps import page  # noqa: F401  slow to import, as are calendar, gpx and tables

    yield
    from planner.output import export, terminal  # noqa: F401

    yield
    outlines(report, make_scene(report))


@dataclass(frozen=True, kw_only=True)
class CheckResult:
    """Result of a check; `closed` names roads that are closed on the day they would be driven."""

    inputs: Inputs
    legs: tuple[Leg, ...]
    closed: tuple[str, ...]
    effects: "Sequence[Effect]" = ()
    doubts: "tuple[Doubt, ...]" = ()

    @property
    def lines(self) -> list[str]:
        """Return the result as sentences."""
        from planner.output.check import check_lines

        inputs = self.inputs
        return check_lines(inputs.trip, inputs.car, self.legs, self.closed, inputs.lesson, self.doubts, self._shape)

    def page(self) -> str:
        """One HTML page with map and profile of the road."""
        from planner.output.road_shape import page

        return page(self.inputs.trip, self.legs, self._shape)

    @functools.cached_property
    def _shape(self) -> "Shape":
        from planner.output.road_shape import shape_of

        return shape_of(self.inputs.trip, self.legs)

    @property
    def assumed(self) -> "pd.DataFrame":
        """Values of the car that are assumed."""
        rows = [picked(entry, "key value=text source") for entry in self.inputs.car.entries if entry.assumed]
        return _frame(rows, ("key", "value", "source"))

    @property
    def ranked(self) -> "pd.DataFrame":
        """Assumed values, largest effect first."""
        names = "key value=text moved_by=step fluid margin_k margin_moves_k=moves_k"
        return _frame([picked(effect, names) for effect in self.effects], columns_of(names))

    def to_dict(self) -> dict[str, Any]:
        """Return the same as plain data."""
        from planner.output.check import check_dict

        inputs = self.inputs
        return check_dict(inputs.trip, inputs.car, self.closed, self.effects, inputs.lesson, self.doubts)


@dataclass(frozen=True, kw_only=True)
class WhatIfResult:
    """Effect of changes and parts on the trip."""

    outlook: "Forecast"
    outcomes: "Sequence[Outcome]"

    @property
    def changes(self) -> "pd.DataFrame":
        """One row per change and fluid, largest gain first."""
        from planner.analysis.margins import fluids_of

        fluids = fluids_of(self.outlook)
        rows = [
            {"what": o.words, "kind": o.kind, "fluid": fluid, "margin_k": float(o.margin_k[f])}
            | {"margin_gained_k": float(o.gain_k[f]), "lost_s": 60.0 * o.minutes, "buys_nothing": o.buys_nothing}
            for o in self.outcomes
            for f, fluid in enumerate(fluids)
        ]
        return _frame(rows)

    def to_dict(self) -> dict[str, Any]:
        """Return the same as plain data."""
        from planner.output.whatif import whatif_dict

        return whatif_dict(self.outlook, self.outcomes)


@dataclass(frozen=True, kw_only=True)
class SessionResult:
    """Laps or hill runs: counts by the hour, and the planned sessions."""

    trip: Trip
    outcome: "SessionOutcome"

    @property
    def hours(self) -> "pd.DataFrame":
        """One row per start hour, the car warm from the road."""
        rows = [
            {"from": self._time(hour.at)}
            | picked(hour, "air_k laps=least first_thin=part driven")
            | {"cool_off_s": _seconds(hour.cool_off_min), "cool_idle_s": _seconds(hour.cool_idle_min)}
            | {"soak_margin_k": hour.soak_k}
            for hour in self.outcome.hours
        ]
        return _frame(rows)

    @property
    def sessions(self) -> "pd.DataFrame":
        """One row per planned session and part."""
        rows = [
            {"from": self._time(one.begin), "air_k": one.air_k, "part": part}
            | {"peak_k": one.peak_k[part], "margin_k": one.margin_k[part], "level": one.level}
            for one in self.outcome.planned
            for part in one.margin_k
        ]
        return _frame(rows)

    @property
    def alarms(self) -> "pd.DataFrame":
        """One row per gauge: its marks for the planned sessions, engine running."""
        return _frame([_gauge(alarm) for alarm in self.outcome.alarms])

    @property
    def exceeded(self) -> bool:
        """Whether a planned session exceeds a limit."""
        return any(one.level == "exceeded" for one in self.outcome.planned)

    def to_dict(self) -> dict[str, Any]:
        """Return the same as plain data."""
        from planner.laps.show import session_dict

        return session_dict(self.outcome)

    def _time(self, at: Any) -> datetime:
        """A time of the session's day, in the zone of its place if known."""
        setup, place = self.outcome.case.setup, self.trip.places.get(self.outcome.case.setup.place)
        zone = None if place is None else ZoneInfo(clock.zone_of(place.lat_deg, place.lon_deg))
        return datetime.combine(setup.on, at, tzinfo=zone)


def _gauge(alarm: "FluidAlarm") -> dict[str, Any]:
    """Columns of one gauge's marks."""
    low_k, high_k = alarm.marks.band_k
    return (
        picked(alarm, "fluid not_warm_below_k=warm_k")
        | {"low_k": alarm.marks.low_k, "expected_low_k": low_k, "expected_high_k": high_k}
        | picked(alarm.marks, "caution_k caution_lead_s=lead_s false_alarms_per_h=nuisance_per_h")
        | {"limit_k": alarm.limit_k}
    )


def _seconds(minutes: int | None) -> float | None:
    return None if minutes is None else 60.0 * minutes


@dataclass(frozen=True, kw_only=True)
class FitResult:
    """The car fitted to logs, and the trip's margins before and after."""

    learned: "Fitted"
    on: date
    before: "Sequence[FluidMargin]"
    after: "Sequence[FluidMargin]"

    @property
    def unknowns(self) -> "pd.DataFrame":
        """One row per parameter: estimate, 90 % interval, and the share determined by the logs."""
        from planner.output.log_tables import unknown_rows

        return _frame(unknown_rows(self.learned))

    @property
    def margins(self) -> "pd.DataFrame":
        """One row per fluid: its smallest margin over the trip, before and after the fit."""
        rows = [
            {"fluid": a.fluid}
            | {f"{name}_before_k": getattr(a, f"{name}_k") for name in ("nominal", "margin", "sd")}
            | {f"{name}_after_k": getattr(b, f"{name}_k") for name in ("nominal", "margin", "sd")}
            for a, b in zip(self.before, self.after, strict=True)
        ]
        return _frame(rows)

    @property
    def sentences(self) -> list[str]:
        """Return the result as sentences."""
        from planner.output.log_tables import fit_lines

        return fit_lines(self.learned, self.before, self.after)

    def to_dict(self) -> dict[str, Any]:
        """Return the same as plain data."""
        from planner.output.log_tables import fit_dict

        return fit_dict(self.learned, self.before, self.after)

    def plots(self) -> dict[str, str]:
        """Plots of every log with the model before and after: file name to SVG text."""
        from planner.logs.fit import plots

        return plots(self.learned)

    def write(self, path: str | Path) -> Path:
        """Write the new vehicle file; no existing file is overwritten."""
        from planner.output.noted import write_car

        learned, names = self.learned, ", ".join(one.log.name for one in self.learned.driven)
        return write_car(
            Path(path),
            learned.trip,
            learned.posterior,
            on=self.on,
            names=f"vehicle.toml and {names}",
            changes=learned.changes,
        )


@dataclass(frozen=True, kw_only=True)
class ReviewResult:
    """Logs compared with the forecast, and trends."""

    reviews: "Sequence[Review]"
    trends: "Sequence[Drift]"

    @property
    def peaks(self) -> "pd.DataFrame":
        """One row per log and fluid at its highest reading: forecast, with the day's weather, as driven, reading."""
        return _frame([{"log": one.driven.log.name} | peak._asdict() for one in self.reviews for peak in one.peaks])

    @property
    def causes(self) -> "pd.DataFrame":
        """One row per log and cause, most probable first."""
        names = "name words probability value"
        return _frame([{"log": one.driven.log.name} | picked(v, names) for one in self.reviews for v in one.verdicts])

    @property
    def drifts(self) -> "pd.DataFrame":
        """One row per factor with a trend over three days or more."""
        names = "factor per_day error words"
        return _frame([picked(trend, names) for trend in self.trends], columns_of(names))

    def to_dict(self) -> dict[str, Any]:
        """Return the same as plain data."""
        from planner.output.log_tables import review_dict

        return review_dict(self.reviews, self.trends)


@dataclass(frozen=True, kw_only=True)
class AlarmsResult:
    """Alarm cards: one per leg, the whole trip's last."""

    outlook: "Forecast"
    reference: "Reference"
    cards: "Sequence[Card]"

    @property
    def fluids(self) -> "pd.DataFrame":
        """One row per card and fluid; `leg` is empty for the whole trip."""
        rows = [
            {"leg": None if card.leg is None else card.leg + 1} | _gauge(f) for card in self.cards for f in card.fluids
        ]
        return _frame(rows)

    def to_dict(self) -> dict[str, Any]:
        """Return the same as plain data."""
        from planner.output.alarms import alarms_dict

        return alarms_dict(self.outlook, self.cards, self.reference)
