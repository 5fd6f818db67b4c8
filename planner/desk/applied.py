"""Writing a remedy into the trip's files."""

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

from planner.analysis.remedies import Remedy
from planner.analysis.rerun import Change, synthetic_for
from planner.desk import actions
from planner.desk.actions import Asked, Done
from planner.desk.folder import Files, TripFolder
from planner.files.edits import set_car
from planner.files.tables import InputTable
from planner.forecast.run import Forecast
from planner.model import clock
from planner.model.errors import PlannerError
from planner.model.trip import passing_of
from thermal.units import convert

_SOURCE = "remedy chosen at the desk; make sure that it is done"


def can_apply(remedy: Remedy) -> bool:
    """Whether a remedy can be written into the files; other roads and idling before a climb cannot."""
    return bool(remedy.nights) or (bool(remedy.changes) and not any(change.idle_first for change in remedy.changes))


def apply(folder: TripFolder, outlook: Forecast, day: int, remedy: Remedy) -> Done:
    """Write a remedy into the files."""
    if not can_apply(remedy):
        message = "this remedy cannot be written into the files; apply it while driving, or choose other places"
        raise PlannerError(message)
    route, made = outlook.route, _Draft(folder)
    if remedy.nights:
        return actions.nights(made, route, remedy.nights, remedy.words)
    cells: dict[tuple[int, str], str] = {}
    table = actions.leg_table(folder, route.trip)
    for change in remedy.changes:
        cells |= dict(_cells(change, outlook, table))
        for kind, asked in _edits(change, outlook, day):
            made.put(actions.edit(made, route, kind, asked)[0])
        made.put(_load(change, outlook, made))
    if cells:
        made.put(actions.leg_cells(made, route, cells, remedy.words)[0])
    return made.files, remedy.words


class _Draft(TripFolder):
    """A folder with changed files that are not saved yet."""

    def __init__(self, folder: TripFolder) -> None:
        super().__init__(path=folder.path, held=dict(folder.held))
        self.files: dict[str, str | None] = {}

    def put(self, files: Files) -> None:
        self.files |= files
        self.held |= {name: text.encode("utf-8") for name, text in files.items() if text is not None}


def _cells(change: Change, outlook: Forecast, table: InputTable) -> Iterator[tuple[tuple[int, str], str]]:
    """Cells of the legs that a change sets."""
    rows = {row.number: row for row in table.rows}
    for number in change.legs:
        leg = outlook.legs[number]
        if change.speed != 1.0:
            heading, value = table.headings["speed"], rows[leg.row].value("speed") or leg.speed_m_per_s
            text = f"{(value * change.speed - heading.offset) / heading.scale:.1f}".removesuffix(".0")
            yield (number, "speed"), text.replace(".", ",") if table.decimal_comma else text
        if change.ac_off:
            yield (number, "air_conditioning"), "no"
        if change.heater:
            yield (number, "heater"), "yes"
        if change.low_gear:
            yield (number, "low_gear"), "yes"
        if change.highest_gear:
            yield (number, "highest_gear"), "overdrive off" if change.highest_gear < 0 else str(change.highest_gear)


def _edits(change: Change, outlook: Forecast, day: int) -> Iterator[tuple[str, Asked]]:
    """Edits of trip.toml for a change."""
    if change.shift_s:
        first = outlook.timeline.days[day]
        place = outlook.trip.places[outlook.legs[first.first].start]
        at = clock.local(first.start_s, place.lat_deg, place.lon_deg) + timedelta(seconds=change.shift_s)
        yield "morning", {"day": day, "at": f"{at:%H:%M}"}
    if change.stop_after is not None:
        stop = change.stop_after + 1
        keys = actions.stops_of(outlook.route)
        key, passing = passing_of(keys[stop])
        held = [one for one in outlook.trip.halts if one.place == key and one.passing in (0, passing)]
        minutes = round((change.stop_s + sum(one.duration_s for one in held)) / 60.0)
        yield "halt", {"stop": stop, "minutes": minutes, "engine": "idle" if change.stop_idling else "off"}


def _load(change: Change, outlook: Forecast, folder: TripFolder) -> Files:
    """Values of the car that a change sets."""
    vehicle, found = outlook.car.vehicle, dict[str, Any]()
    pound = outlook.trip.units == "us"
    if change.trailer != 1.0:
        found["trailer.mass"] = _mass(vehicle.trailer.mass_kg * change.trailer, pound)
    if change.lighter_kg:
        found["body.mass"] = _mass(vehicle.body.mass_kg - change.lighter_kg, pound)
    if change.synthetic:
        part, sort = synthetic_for(vehicle, change.synthetic)
        found[f"{part}.sort"] = sort
    text = folder.text(actions.CAR)
    if not found or text is None:
        return {}
    for key, value in found.items():
        text = set_car(text, key, value, _SOURCE)
    return {actions.CAR: text}


def _mass(mass_kg: float, pound: bool) -> str:
    return f"{convert(mass_kg, 'kg', 'lb'):.0f} lb" if pound else f"{mass_kg:.0f} kg"
