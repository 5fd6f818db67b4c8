"""A made-up trip: a night in the desert, then a pass of 1,400 m in the afternoon with a light trailer.

So driven, the differential passes its limit on one draw in seven.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from planner.analysis.rerun import Change

PLACES = """place,name,lat,lon,elevation [m],kind,services,high [degC],low [degC]
start,Start,35.000,-115.600,300,town,fuel lodging,43,28
sleep,Sleep,35.000,-115.200,300,town,fuel lodging,43,28
foot,Foot,35.000,-114.830,300,rest-area,{room},43,28
top,Top,35.000,-114.600,1680,pass,parking,34,20
finish,Finish,35.000,-114.300,1500,town,fuel lodging,35,21
"""
LEGS = (("start", "sleep", 40, 95), ("sleep", "foot", 38, 95), ("foot", "top", 23, 80), ("top", "finish", 32, 80))
DEPARTURE, START = datetime(2027, 7, 9, 15), datetime(2027, 7, 10, 11)
TRAILER_KG, TRAILER_M2 = 750.0, 0.55
CLIMB = 2  # the leg that gets thin


@dataclass(frozen=True, kw_only=True)
class Edits:
    """What is changed in the files: cells of legs.csv by leg, lines of trip.toml, the trailer."""

    legs: Mapping[int, Mapping[str, Any]]
    more: str = ""
    departure: datetime = DEPARTURE
    trailer: float = 1.0


UNCHANGED = Edits(legs={})


def write(folder: Path, edits: Edits = UNCHANGED, *, room: str = "parking", trailer_kg: float = TRAILER_KG) -> Path:
    folder.mkdir(parents=True)
    rows = ["from,to,distance [km],speed [km/h],air_conditioning,heater,low_gear"]
    for number, (start, finish, km, speed) in enumerate(LEGS):
        cells = edits.legs.get(number, {})
        switches = ",".join(str(cells.get(name, "")) for name in ("air_conditioning", "heater", "low_gear"))
        rows.append(f"{start},{finish},{km},{speed * cells.get('speed', 1.0):.6f},{switches}")
    (folder / "places.csv").write_text(PLACES.format(room=room), encoding="utf-8")
    (folder / "legs.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    (folder / "trip.toml").write_text(
        f'units = "metric"\nstart = "start"\nfinish = "finish"\ndeparture = "{edits.departure:%Y-%m-%d %H:%M}"\n'
        f'nights = ["sleep"]\n[day]\nstart = "{START:%H:%M}"\n{edits.more}',
        encoding="utf-8",
    )
    mass, area = edits.trailer * trailer_kg, TRAILER_M2 if edits.trailer * trailer_kg > 0.0 else 0.0
    (folder / "vehicle.toml").write_text(
        'base = "estate-1990s-six"\n[cooling]\nradiator = {value = "2000 W/K", source = "test"}\n'
        'airflow_share = {value = 1.15, source = "test"}\n[engine_oil]\nsort = {value = "synthetic", source = "test"}\n'
        '[transmission_limit]\nlimit = {value = "140 degC", source = "test"}\n'
        f'[trailer]\nmass = {{value = "{mass} kg", source = "test"}}\n'
        f'drag_area = {{value = "{area} m**2", source = "test"}}\n',
        encoding="utf-8",
    )
    return folder


def edits_of(changes: tuple[Change, ...], folder_places: tuple[str, ...]) -> Edits:
    """Turn what a remedy says into what its reader would type."""
    legs: dict[int, dict[str, Any]] = {}
    more, trailer = "", 1.0
    for change in changes:
        for leg in change.legs:
            cells = legs.setdefault(leg, {})
            cells["speed"] = cells.get("speed", 1.0) * change.speed
            cells |= {"air_conditioning": "no"} if change.ac_off else {}
            cells |= {"heater": "yes"} if change.heater else {}
            cells |= {"low_gear": "yes"} if change.low_gear else {}
        if change.shift_s:
            at = datetime.fromtimestamp(START.timestamp() + change.shift_s)
            more += f'[[morning]]\non = "{at:%Y-%m-%d}"\nat = "{at:%H:%M}"\n'
        if change.stop_after is not None:
            engine = "idle" if change.stop_idling else "off"
            place, minutes = folder_places[change.stop_after], change.stop_s / 60.0
            more += f'[[halt]]\nplace = "{place}"\nduration = "{minutes:.0f} min"\nengine = "{engine}"\n'
        trailer *= change.trailer
    return Edits(legs=legs, more=more, trailer=trailer)
