"""The car's file written anew: the same car, the owner's comments kept, what was learnt in its own section."""

import tomllib
from pathlib import Path

import pytest

from planner.files.vehicles import read_vehicle, vehicle_text
from planner.model.paths import data_folder
from thermal.posterior import Factor, Posterior

OWN = """# My wagon, bought in May.
base = "estate-1990s-six"  # nearest

[cooling]
# stamped on the housing
thermostat_open = { value = "88 degC", source = "stamped" }  # opens early
fan.kind = {value = "none", source = "taken off"}

[fit]
airflow = {value = 0.9, sd = 0.05, source = "an older log"}
"""


@pytest.mark.parametrize("own", [OWN, OWN.replace("\n", "\r\n"), OWN.partition("\n[fit]")[0].rstrip()])
def test_the_owner_s_comments_stay(own: str) -> None:
    changes = {"cooling": {"thermostat_open": {"value": "86 degC", "source": "a log"}}}
    posterior = Posterior(factors={"radiator": Factor(value=0.8, sd=0.1, source="two logs")}, correlation={})
    text = vehicle_text(own, changes, posterior, head="Fitted.\nTwice.")
    assert text.startswith("# Fitted.\n# Twice.\n# My wagon, bought in May.")
    for kept in ("# nearest", "# stamped on the housing", "# opens early"):
        assert kept in text
    assert "older log" not in text
    found = tomllib.loads(text)
    assert found["cooling"]["thermostat_open"] == changes["cooling"]["thermostat_open"]
    assert found["cooling"]["fan"]["kind"]["value"] == "none"
    assert found["fit"] == {"radiator": {"value": 0.8, "sd": 0.1, "source": "two logs"}}


def test_every_shipped_vehicle_survives_the_writer(tmp_path: Path) -> None:
    """Rewritten without changes, each example's car is the same car."""
    classes = data_folder() / "vehicles"
    for owner in sorted((data_folder() / "examples").glob("*/vehicle.toml")):
        copy = tmp_path / f"{owner.parent.name}.toml"
        one = read_vehicle(owner, classes)
        text = vehicle_text(owner.read_text(encoding="utf-8"), {}, one.spread, head="Copied.")
        copy.write_text(text, encoding="utf-8")
        two = read_vehicle(copy, classes)
        assert two.vehicle == one.vehicle
        assert [e.source for e in two.entries] == [e.source for e in one.entries]
