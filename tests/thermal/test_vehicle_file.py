"""Vehicle files: every class loads, and every mistake is told in a sentence that says what to do."""

import dataclasses
import re
import tomllib
from pathlib import Path

import pytest
from cars import CLASS_NAMES, CLASSES, ESTATE, read_class, with_part

from planner.files.vehicles import read_vehicle
from thermal.errors import ParameterError
from thermal.units import to_si
from thermal.vehicle import Vehicle
from thermal.vehicle_file import VehicleFile, key_of, sections

BASE = f'base = "{ESTATE}"\n'
IDLE = 'idle_speed = {value = "1300 rpm", source = "x"}\npeak_torque_speed = {value = "1200 rpm", source = "x"}\n'


def read(tmp_path: Path, text: str) -> VehicleFile:
    path = tmp_path / "vehicle.toml"
    path.write_text(text, encoding="utf-8")
    return read_vehicle(path, CLASSES)


def refused(tmp_path: Path, text: str) -> str:
    with pytest.raises(ParameterError) as caught:
        read(tmp_path, text)
    return str(caught.value)


# --- classes ---------------------------------------------------------------------------------------------------------


def sections_of(vehicle: Vehicle) -> list[str]:
    """Sections that the file of such a car must have."""
    bare = [item.name for item in dataclasses.fields(Vehicle) if item.default is dataclasses.MISSING]
    return list(sections()) if vehicle.steering.kind == "hydraulic" else [name for name in bare if name != "name"]


@pytest.mark.parametrize("name", CLASS_NAMES)
def test_every_class_loads_with_a_source_for_every_value(name: str) -> None:
    found = read_class(name)
    assert found.base == name
    assert found.vehicle.name == tomllib.loads((CLASSES / f"{name}.toml").read_text(encoding="utf-8"))["name"]
    assert len(found.entries) == sum(len(dataclasses.fields(sections()[s])) for s in sections_of(found.vehicle))
    assert all(entry.source and entry.text and entry.doc for entry in found.entries)
    assert found.overridden == frozenset()


@pytest.mark.parametrize("name", CLASS_NAMES)
def test_classes_hold_known_sections_and_keys_only(name: str) -> None:
    """The reader warns about the owner's spelling; this about ours."""
    table = tomllib.loads((CLASSES / f"{name}.toml").read_text(encoding="utf-8"))
    del table["name"], table["about"]
    held = sections_of(read_class(name).vehicle)
    known = {section: {key_of(item) for item in dataclasses.fields(sections()[section])} for section in held}
    assert {section: set(keys) for section, keys in table.items()} == known


# SAE J300 (January 2015) and J306 (February 2019), kinematic viscosity at 100 degC [mm2/s]: secondary pages.
BANDS = {
    ("J300", "20"): (6.9, 9.3),
    ("J300", "30"): (9.3, 12.5),
    ("J300", "40"): (12.5, 16.3),
    ("J300", "50"): (16.3, 21.9),
    ("J306", "80"): (8.5, 11.0),
    ("J306", "90"): (13.5, 18.5),
}


def test_oils_lie_in_the_band_their_source_names() -> None:
    seen = set()
    for name in CLASS_NAMES:
        for entry in read_class(name).entries:
            named = re.match(r"typical (?:SAE |\w+-)(\d+), inside SAE (J30\d)'s band", entry.source)
            if entry.key.endswith(".viscosity_100c") and named:
                low, high = BANDS[named[2], named[1]]
                assert low <= 1e6 * to_si(entry.text, "m**2/s") < high, f"{name}: {entry}"
                seen.add((named[2], named[1]))
    assert seen == set(BANDS)


# --- the owner's own values ------------------------------------------------------------------------------------------


def test_own_values_lie_over_the_class(tmp_path: Path) -> None:
    found = read(tmp_path, BASE + 'name = "Ours"\n[body]\nmass = {value = "4200 lb", source = "weighbridge"}\n')
    assert found.vehicle.name == "Ours"
    assert found.vehicle.body.mass_kg == pytest.approx(1905.087954)
    assert found.overridden == {"body.mass"}
    entry = next(entry for entry in found.entries if entry.key == "body.mass")
    assert (entry.text, entry.source, entry.assumed) == ("4200 lb", "weighbridge", False)


def test_units_are_the_owners_choice(tmp_path: Path) -> None:
    text = (
        BASE
        + '[cooling]\ncap_pressure = {value = "16 psi", source = "cap"}\n'
        + 'inlet_allowance = {value = "9 degF", source = "x"}\n'
        + 'thermostat_open = {value = "180 degF", source = "stamp"}\n'
        + 'glycol_share = {value = "40 %", source = "test strip"}\n'
        + 'airflow_share = {value = 0.8, source = "lamps in front"}\n'
    )
    cooling = read(tmp_path, text).vehicle.cooling
    assert cooling.cap_pressure_pa == pytest.approx(110_316.1, abs=0.1)
    assert cooling.inlet_allowance_k == pytest.approx(5.0)
    assert cooling.thermostat_open_k == pytest.approx(355.372, abs=1e-3)
    assert (cooling.glycol_share, cooling.airflow_share) == (pytest.approx(0.4), 0.8)


def test_ratios_are_a_list(tmp_path: Path) -> None:
    text = BASE + '[gearbox]\nratios = {value = [3.8, 2.1, 1.4, 1.0, 0.8], source = "data plate"}\n'
    assert read(tmp_path, text).vehicle.gearbox.ratios == (3.8, 2.1, 1.4, 1.0, 0.8)


# --- mistakes --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "vehicle.toml: key 'base' is missing; name one of the classes: camper-1970s, "),
        ('base = "estate-1990-six"\n', "base 'estate-1990-six' is not a class; did you mean 'estate-1990s-six'?"),
        (
            'base = "wagon"\n',
            "base 'wagon' is not a class; did you mean 'estate-1990s-six' (rear-drive estate (station wagon) of the "
            "1990s, injected straight six, five-speed manual, oil cooler added) or 'saloon-1980s-v8-automatic' (large ",
        ),
        ("base = 5\n", "base 5 is not a class; "),
        (BASE + "[cooling\n", "vehicle.toml row 2: cannot be read as TOML (Expected ']' at the end of a table"),
        (BASE + "[coling]\n", "vehicle.toml: unknown section [coling]; did you mean 'cooling'?"),
        (
            BASE + '[radiator]\nrows = "3"\n',
            "vehicle.toml: unknown section [radiator]; radiator settings are under [cooling]",
        ),
        (BASE + "[wheels]\n", "unknown section [wheels]; sections: body, trailer, engine, "),
        ('base = "wagon-1990s-six"\n', "did you mean 'estate-1990s-six'?"),
        (
            BASE + 'mass = {value = "900 kg", source = "x"}\n[body]\nmass = {value = "1800 kg", source = "x"}\n',
            "vehicle.toml: mass stands in no section; is [trailer] missing above?",
        ),
        (
            BASE + "[cooling]\ncap_pressure = 13 psi\n",
            'row 3: read \'13 psi\' without quotation marks; write cap_pressure = {value = "13 psi", source = "..."}',
        ),
        (BASE + "body = 5\n", "'body' must be a section: write [body] and its values below"),
        (BASE + '[body]\nmass = {value = "1800 kg"}\n', "[body] mass: read {'value': '1800 kg'}; write it as {value ="),
        (BASE + '[body]\nmass = "1800 kg"\n', "[body] mass: read '1800 kg'; write it as {value = \"1800 kg\", source"),
        (BASE + '[body]\nmass = {value = "1800 kg", source = " "}\n', "[body] mass: the source is empty"),
        (BASE + '[body]\nmass = {value = "1 t", source = "x", note = "y"}\n', "[body] mass: read {"),
        (f"{BASE}[engine]\n{IDLE}", "vehicle.toml: engine: "),
    ],
)
def test_mistakes(tmp_path: Path, text: str, said: str) -> None:
    assert said in refused(tmp_path, text)


@pytest.mark.parametrize(
    ("section", "key", "value", "said"),
    [
        ("metal", "heat_capacty", '"50 kJ/K"', " [metal]: unknown key 'heat_capacty'; did you mean 'heat_capacity'?"),
        ("axle", "final_drive", "3.7", " [axle]: unknown key 'final_drive'; did you mean 'ratio'?"),
        ("axle", "compression", "9", "unknown key 'compression'; keys: kind, ratio, efficiency, spin_loss"),
        ("body", "mass", '"1800 s"', " [body] mass: '1800 s' is not a valid mass; write e.g."),
        ("body", "mass", '"1800"', " [body] mass: '1800' needs a number and a unit, e.g. '1700 kg'"),
        ("body", "mass", "1800", ' [body] mass: read 1800; write the number with its unit in quotes, e.g. "1700 kg"'),
        ("body", "mass", "true", " [body] mass: read True"),
        ("body", "mass", "nan", " [body] mass: read nan; write the number with its unit"),
        ("body", "mass", '["1800 kg", "900 kg"]', " [body] mass: read ['1800 kg', '900 kg']"),
        ("body", "rolling_coefficient", "nan", " [body] rolling_coefficient: read nan; plausible is 0.005 to 0.03"),
        ("metal", "heat_capacity", '"48 J/K"', "read '48 J/K'; plausible is 2,000 J/K to 400,000 J/K"),
        ("body", "tyre_radius", '"26 in"', "plausible is 7.9 in to 23 in; is it a diameter? Write '13 in'"),
        ("cooling", "fan_on", '"60 degF"', "plausible is 140 degF to 247 degF"),
        ("cooling", "glycol_share", "50", " [cooling] glycol_share: read 50; plausible is 0 to 0.7"),
        ("cooling", "fan", '"electrical"', " fan: read 'electrical'; allowed: electric, viscous, fixed"),
        ("engine", "cooling", '"air"', " [engine] cooling: an air-cooled engine has no coolant"),
        ("trailer", "mass", '"900 kg"', "mass but no drag; set its kind"),
        ("trailer", "kind", '"spaceship"', "allowed: none, utility"),
        ("gearbox", "ratios", "[]", " [gearbox] ratios: read []"),
        ("gearbox", "ratios", "[1.0, 2.0]", ": gearbox: ratios must fall from first to top"),
        ("gearbox", "kind", '"automatic"', ": gearbox: an automatic needs stall_speed above 0"),
        ("cooling", "thermostat_open", '"100 degC"', ": cooling: thermostat_open must be below thermostat_full"),
        (
            "cooling",
            "fan_off",
            '"110 degC"',
            "fan_off must be below fan_on; read fan_on 100 degC (from the class), fan_off",
        ),
        ("engine", "peak_power", '"300 kW"', ": engine: peak_power needs more torque at its speed than peak_torque"),
        ("engine", "peak_torque_speed", '"5400 rpm"', "peak_torque_speed < peak_power_speed <= top_speed is needed"),
        ("engine", "top_speed", '"5200 rpm"', "peak_torque_speed < peak_power_speed <= top_speed is needed"),
        ("engine_oil", "viscosity_40c", '"12 cSt"', "must be the larger"),  # an oil that thickens with heat
        ("coolant_limit", "caution", '"120 degC"', "warm < caution < limit"),
        ("oil_cooler", "full", '"1 degC"', ": oil_cooler: open must be below full"),
        ("differential_cooler", "kind", '"water"', ": differential_cooler: only 'air' or 'none' is modelled"),
    ],
)
def test_values_that_cannot_be(tmp_path: Path, section: str, key: str, value: str, said: str) -> None:
    told = refused(tmp_path, f'{BASE}[{section}]\n{key} = {{value = {value}, source = "x"}}\n')
    assert told.startswith("vehicle.toml")
    assert said in told


def test_all_mistakes_are_told_at_once(tmp_path: Path) -> None:
    told = refused(
        tmp_path,
        BASE
        + '[body]\nmas = {value = "1800 kg", source = "x"}\ndrag_area = {value = "9 m**2", source = "x"}\n'
        + '[cooling]\nfan = {value = "wind", source = "x"}\n[nonsense]\n',
    ).splitlines()
    assert len(told) == 4
    assert all(line.startswith("vehicle.toml") for line in told)


def test_a_missing_file_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(ParameterError, match=r"nowhere.toml: not found; `grademargin new DIR` creates one"):
        read_vehicle(tmp_path / "nowhere.toml", CLASSES)


# --- the frozen vehicle itself ---------------------------------------------------------------------------------------


def test_every_field_says_what_it_is() -> None:
    for kind in sections().values():
        for item in dataclasses.fields(kind):
            assert item.metadata["doc"]
            assert "options" in item.metadata or item.metadata["low"] < item.metadata["high"]


def test_a_vehicle_made_by_hand_is_checked_too(estate: Vehicle) -> None:
    with pytest.raises(ParameterError, match=r"body.mass_kg is nan kg; plausible is 400 to 8000"):
        dataclasses.replace(estate.body, mass_kg=float("nan"))
    with pytest.raises(ParameterError, match=r"cooling.fan is 'wind'; allowed: electric, viscous, fixed"):
        dataclasses.replace(estate.cooling, fan="wind")
    with pytest.raises(ParameterError, match="fan_off must be below fan_on"):
        with_part(estate, "cooling", fan_on_k=340.0)
