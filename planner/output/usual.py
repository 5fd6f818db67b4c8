"""The car in standard driving states compared with the usual range, to find wrong values."""

from collections.abc import Sequence
from typing import Any

from rich.table import Table
from rich.text import Text

from planner.model.display import Units, units_of
from planner.model.paths import data_folder
from planner.output.picked import picked
from thermal.bands import STATES, Cell, compare, read_bands
from thermal.fluids import fluid_of
from thermal.vehicle_file import VehicleFile

_SAID = {
    "value": "{name}",
    "over thermostat": "{name}, above the thermostat's opening",
    "over coolant": "{name}, above the coolant",
    "rise": "{name}, rise after stopping",
    "rise time": "{name}, minutes to its peak after stopping",
    "minutes": "{name}, minutes to {reach}",
}


def usual(car: VehicleFile) -> tuple[Cell, ...]:
    """Simulate every state with a band, without and with the rated trailer."""
    return compare(car.vehicle, read_bands(data_folder() / "bands.toml"), base=car.base)


def usual_table(cells: Sequence[Cell], units: str) -> tuple[object, ...]:
    """One row per fluid and state, values outside the band in bold."""
    u = units_of(units)
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("what")
    table.add_column("yours", justify="right", no_wrap=True)
    table.add_column("usual", justify="right", no_wrap=True)
    table.add_column("")
    state = ""
    for cell in cells:
        if cell.band.state != state:
            state = cell.band.state
            table.add_row(Text(STATES[state][0], style="bold"))
        low, high = (_shown(cell, value, u) for value in (cell.band.low, cell.band.high))
        table.add_row(
            f"  {_words(cell, u)}",
            _shown(cell, cell.found, u),
            f"{low} to {high}",
            "" if cell.inside else "outside",
            style="" if cell.inside else "bold",
        )
    outside = sum(not cell.inside for cell in cells)
    said = (
        f"{outside} of {len(cells)} outside the usual range of a sound car of its class (common practice). A value far "
        "outside suggests an error in vehicle.toml, or a car unlike its class."
    )
    return table, Text(said)


def usual_dict(cells: Sequence[Cell]) -> list[dict[str, Any]]:
    """Give the same as plain data; degrees Celsius, kelvins and minutes."""
    return [
        picked(cell.band, "state fluid kind low high")
        | {"found": None if cell.found == float("inf") else round(cell.found, 2), "inside": cell.inside}
        for cell in cells
    ]


def _words(cell: Cell, u: Units) -> str:
    reach = f"{u.temp(cell.band.reach_c + 273.15):.0f} {u.temperature}"
    return _SAID[cell.band.kind].format(name=fluid_of(cell.band.fluid).label, reach=reach)


def _shown(cell: Cell, value: float, u: Units) -> str:
    if cell.band.kind in ("rise time", "minutes"):
        return f"{value:.0f} min" if value < float("inf") else "never"
    if cell.band.kind == "value":
        return f"{u.temp(value + 273.15):.0f} {u.temperature}"
    return f"{u.diff(value):.0f} {u.temperature}"
