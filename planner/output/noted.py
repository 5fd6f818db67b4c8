"""Result of a noted drive: text, data, new vehicle file."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from planner.files.vehicles import write_fitted
from planner.logs.noted_drive import NotedFit
from planner.model.display import units_of
from planner.model.errors import OutputError
from planner.model.paths import data_folder
from planner.model.trip import Trip
from planner.output.log_tables import margin_lines
from thermal.errors import ThermalError
from thermal.posterior import Posterior


@dataclass(frozen=True, kw_only=True)
class NotedResult:
    """The car fitted to a GPX track and notes, and the trip's margins before and after."""

    learned: NotedFit
    on: date

    @property
    def sentences(self) -> list[str]:
        """Return the result as sentences."""
        found = self.learned
        return [*found.sentences, *margin_lines(units_of(found.trip.units), found.before, found.after)]

    def to_dict(self) -> dict[str, Any]:
        """Return the same as plain data."""
        found = self.learned
        margins = zip(found.before, found.after, strict=True)
        return {
            "schema": "grademargin-noted/1",
            "trip": found.trip.name,
            "files": list(found.names),
            "sentences": list(found.sentences),
            "read": [one._asdict() for one in found.seen],
            "margins": [{"before": a._asdict(), "after": b._asdict()} for a, b in margins],
        }

    def write(self, path: str | Path) -> Path:
        """Write the new vehicle file; no existing file is overwritten."""
        found, names = self.learned, " and ".join(self.learned.names)
        return write_car(
            Path(path), found.trip, found.posterior, on=self.on, names=f"vehicle.toml, {names}", changes={}
        )


def write_car(
    path: Path, trip: Trip, posterior: Posterior, *, on: date, names: str, changes: Mapping[str, Mapping[str, Any]]
) -> Path:
    """Write a fitted vehicle file; `names` are those of the files it was fitted to."""
    head = f"Written by grademargin fit on {on.isoformat()} from {names}.\nNo comments kept."
    own, classes = trip.folder / "vehicle.toml", data_folder() / "vehicles"
    try:
        write_fitted(path, owner=own, classes=classes, changes=changes, posterior=posterior, head=head)
    except ThermalError as exc:
        raise OutputError(str(exc)) from exc
    return path
