"""What the forecast rests on: each effect checked by moving the value by hand and forecasting again."""

import itertools
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from cars import with_part

from planner.analysis.margins import columns_of, fluids_of
from planner.analysis.sensitivity import Effect, rank_assumptions
from planner.files.folder import open_folder
from planner.forecast.run import Forecast, forecast
from thermal.fluids import FLUID_NODES, fluid_of
from thermal.simulate import simulate

PLACES = """place,name,lat,lon,elevation [m],high [degC],low [degC]
a,A,35.000,-115.600,300,43,28
b,B,35.000,-114.900,300,43,28
c,C,35.000,-114.600,1700,34,20
"""
LEGS = "from,to,distance [km],speed [km/h]\na,b,66,95\nb,c,29,85\n"


def write(folder: Path, base: str, more: str = "") -> Path:
    folder.mkdir()
    (folder / "places.csv").write_text(PLACES, encoding="utf-8")
    (folder / "legs.csv").write_text(LEGS, encoding="utf-8")
    (folder / "trip.toml").write_text('start = "a"\nfinish = "c"\ndeparture = "2027-07-10 13:00"\n', encoding="utf-8")
    (folder / "vehicle.toml").write_text(f'base = "{base}"\n{more}', encoding="utf-8")
    return folder


def outlook_of(folder: Path) -> Forecast:
    return forecast(*open_folder(folder))


@pytest.fixture(scope="module")
def estate(tmp_path_factory) -> Forecast:
    return outlook_of(write(tmp_path_factory.mktemp("estate") / "trip", "estate-1990s-six"))


@pytest.fixture(scope="module")
def hatch(tmp_path_factory) -> Forecast:
    """A transaxle."""
    return outlook_of(write(tmp_path_factory.mktemp("hatch") / "trip", "hatch-1990s-four"))


@pytest.fixture(scope="module")
def estate_effects(estate) -> tuple[Effect, ...]:
    return rank_assumptions(estate)


@pytest.fixture(scope="module")
def hatch_effects(hatch) -> tuple[Effect, ...]:
    return rank_assumptions(hatch)


@pytest.fixture(scope="module", params=["estate", "hatch"])
def outlook(request) -> Forecast:
    return request.getfixturevalue(request.param)


@pytest.fixture(scope="module")
def effects(outlook, estate, estate_effects, hatch_effects) -> tuple[Effect, ...]:
    return estate_effects if outlook is estate else hatch_effects


def smallest(outlook: Forecast, vehicle) -> dict[str, float]:
    """Smallest margin of every fluid over the trip, the car as described, on the clock of the plan."""
    temps = simulate(outlook.timeline.drive, vehicle)
    left = temps.limit_k - temps.temps_k[0][:, FLUID_NODES]
    return dict(zip(fluids_of(outlook), left.min(axis=0)[columns_of(outlook)].tolist(), strict=True))


def test_the_heaviest_stands_first_and_the_margin_is_the_plan_s(outlook, effects):
    nominal = outlook.nominal.margin_k[0].min(axis=0)
    assert len(effects) > 20
    weights = [effect.weight for effect in effects]
    assert weights == sorted(weights, reverse=True)
    for effect in effects:
        assert effect.weight == pytest.approx(effect.moves_k / max(effect.margin_k, 5.0))
        assert effect.moves_k >= 0.0
        assert effect.margin_k == pytest.approx(nominal[fluid_of(effect.fluid).index], abs=1e-6)


def test_only_what_is_assumed_is_tried_and_every_number_of_it(outlook, effects):
    entries = {entry.key: entry for entry in outlook.car.entries}
    tried = {effect.key for effect in effects if not effect.key.startswith("profile ")} - {"weather"}
    assert all(entries[key].assumed for key in tried)
    left_out = {entry.key for entry in outlook.car.entries if entry.assumed} - tried
    for key in left_out:  # words and lists; a nought nobody gave is tried like the rest
        assert not re.match(r"-?[0-9]", entries[key].text) or "," in entries[key].text, key


STEPS = {
    "body.mass": ("mass_kg", 0.1),
    "cooling.radiator": ("radiator_w_per_k", 0.2),
    "cooling.ram_ratio": ("ram_ratio", 0.2),
    "engine.coolant_share": ("coolant_share", 0.2),
}


@pytest.mark.parametrize("key", STEPS)
def test_one_value_moved_by_hand_gives_the_same(outlook, effects, key):
    effect = next(e for e in effects if e.key == key)
    name, share = STEPS[key]
    assert effect.step == f"{100 * share:g} %"
    section = key.partition(".")[0]
    part = getattr(outlook.car.vehicle, section)
    meta = part.__dataclass_fields__[name].metadata
    base, moved = smallest(outlook, outlook.car.vehicle), []
    for factor in (1.0 - share, 1.0 + share):
        value = min(max(factor * getattr(part, name), meta["low"]), meta["high"])
        moved.append(smallest(outlook, with_part(outlook.car.vehicle, section, **{name: value})))
    change = {fluid: max(abs(m[fluid] - base[fluid]) for m in moved) for fluid in base}
    heaviest = max(change, key=lambda fluid: change[fluid] / max(base[fluid], 5.0))
    assert effect.fluid == heaviest
    assert effect.moves_k == pytest.approx(change[heaviest], abs=0.02)


def test_temperatures_are_moved_by_three_kelvin(effects):
    found = [effect for effect in effects if effect.key.startswith("cooling.thermostat")]
    assert found
    assert {effect.step for effect in found} == {"3 K"}


def test_the_weather_is_weighed_with_the_car(outlook, effects):
    weather = next(effect for effect in effects if effect.key == "weather")
    sd_k = float(weather.step.removesuffix(" K"))
    assert 1.0 < sd_k < 8.0  # July; several Kelvin between a usual day and the day itself
    drive = outlook.timeline.drive
    result = simulate(replace(drive, air_k=drive.air_k + sd_k), outlook.car.vehicle)
    fluid = fluid_of(weather.fluid).index
    moved = weather.margin_k - float(result.margin_k[0].min(axis=0)[fluid])
    assert weather.moves_k == pytest.approx(moved, rel=0.05)  # the printed step is rounded to 0.1 K
    assert 0.3 * sd_k < moved < 2.5 * sd_k


def test_a_transaxle_has_no_differential_to_worry_about(hatch, hatch_effects):
    assert hatch.car.vehicle.axle.kind == "transaxle"
    assert "differential" not in {effect.fluid for effect in hatch_effects}
    # Its axle's losses go into the transmission's oil.
    axle = [effect for effect in hatch_effects if effect.key == "axle.efficiency"]
    assert axle
    assert axle[0].fluid == "transmission"
    assert axle[0].moves_k > 0.5


def test_what_is_known_drops_out(tmp_path, estate_effects):
    known = 'radiator = {value = "1650 W/K", source = "measured on a bench"}\n'
    again = outlook_of(write(tmp_path / "trip", "estate-1990s-six", f"[cooling]\n{known}"))
    before, after = ({effect.key for effect in found} for found in (estate_effects, rank_assumptions(again)))
    assert before - after == {"cooling.radiator"}
    assert after <= before


def test_check_prints_the_ranking_the_same_every_time(run, tmp_path, hatch_effects):
    folder = write(tmp_path / "trip", "hatch-1990s-four")
    ran = run("check", folder, "--rank", "--json")
    assert ran.code == 0
    ranked = json.loads(ran.out)["ranked"]
    assert [row["key"] for row in ranked] == [effect.key for effect in hatch_effects]
    moves = np.array([row["margin_moves_k"] for row in ranked])
    assert moves == pytest.approx([effect.moves_k for effect in hatch_effects], abs=1e-3)
    assert all(a["key"] != b["key"] for a, b in itertools.pairwise(ranked))
    assert json.loads(run("check", folder, "--json").out)["ranked"] == []
