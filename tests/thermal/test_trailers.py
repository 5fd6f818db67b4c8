"""What stands on the roof or hangs behind: drag by kind, and a mass without drag refused."""

import pytest
from cars import read_class, with_part

from thermal.drive import steady_drive
from thermal.loads import road_force_n
from thermal.vehicle import ROOF_DRAG_M2, TRAILER_DRAG_M2, Vehicle


def towing(kind: str, mass: str = "1000 kg") -> Vehicle:
    own = f'[trailer]\nmass = {{value = "{mass}", source = "x"}}\nkind = {{value = "{kind}", source = "x"}}\n'
    return read_class("pickup-1990s-v8-tow", own).vehicle


def test_drag_given_goes_before_the_kind() -> None:
    own = (
        '[trailer]\nmass = {value = "900 kg", source = "x"}\nkind = {value = "camper", source = "x"}\n'
        'drag_area = {value = "1.5 m**2", source = "coast-down"}\n'
    )
    assert read_class("estate-1990s-six", own).vehicle.trailer.drag_m2 == 1.5


def test_kinds_are_in_the_order_owners_know() -> None:
    """Common practice: a low open trailer costs least, a folded camper little more, a full-height one most."""
    drag = {kind: towing(kind).trailer.drag_m2 for kind in TRAILER_DRAG_M2 if kind != "none"}
    in_order = ("utility", "pop-up camper", "boat", "horse box", "enclosed", "camper")
    assert sorted(drag, key=drag.__getitem__)[0] == "utility"
    assert [drag[kind] for kind in in_order] == sorted(drag[kind] for kind in in_order)


@pytest.mark.parametrize("kind", [kind for kind in TRAILER_DRAG_M2 if kind != "none"])
def test_the_kind_reaches_the_road(kind: str) -> None:
    """Half rho v^2 times the area, at 25 m/s in air of 1.2 kg/m3: 375 N a square metre."""
    drive = steady_drive(minutes=1, speed_m_per_s=25.0, grade=0.0, air_k=294.0)
    bare = with_part(towing(kind), "trailer", kind="utility", drag_area_m2=1e-9)
    more = road_force_n(towing(kind), drive)[0] - road_force_n(bare, drive)[0]
    assert more == pytest.approx(375.0 * TRAILER_DRAG_M2[kind], rel=0.03)


def test_a_roof_box_costs_what_it_should() -> None:
    """Common practice: a roof box adds 10-25 % to a car's drag, bars alone a few per cent."""
    car = read_class("estate-1990s-six").vehicle
    share = {roof: with_part(car, "body", roof=roof).body.drag_m2 / car.body.drag_m2 - 1.0 for roof in ROOF_DRAG_M2}
    assert 0.10 <= share["box"] <= 0.25
    assert 0.02 <= share["bars"] <= 0.08
    assert share["none"] == 0.0
