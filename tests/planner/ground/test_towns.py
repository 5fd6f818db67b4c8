"""The table of towns against airfields named after them, and look-ups by name and place."""

import airportsdata
import numpy as np
import pytest

from planner.ground import towns


def test_towns_lie_where_their_airfields_do():
    # airportsdata: city and state of each public airfield with a code of its own
    fields = [f for f in airportsdata.load("IATA").values() if f["country"] == "US" and f["city"]]
    apart, higher, unknown = [], [], 0
    for field in fields:
        found = towns.towns_named(f"{field['city']}, {field['subd']}")
        if not found:
            unknown += 1
            continue
        here = np.array([found[0].lat_deg]), np.array([found[0].lon_deg])
        apart.append(float(towns.apart_km(field["lat"], field["lon"], *here)[0]))
        higher.append(abs(found[0].elevation_m - field["elevation"] * 0.3048))
    assert len(apart) > 900
    assert unknown < 0.45 * len(fields)  # many are villages of Alaska below 500 people
    assert np.median(apart) < 7.0
    assert np.percentile(apart, 95) < 30.0
    assert np.median(higher) < 15.0


@pytest.mark.parametrize(
    ("asked", "full_name"),
    [
        ("raton", "Raton, NM"),
        ("Raton, New Mexico", "Raton, NM"),
        ("Las Vegas, NM", "Las Vegas, NM"),
        ("Las Vegas", "Las Vegas, NV"),
        ("St. Moritz", "St. Moritz, Switzerland"),
        ("sankt gallen, switzerland", "Sankt Gallen, Switzerland"),
        ("Truth or Consequences", "Truth or Consequences, NM"),
        ("coeur d'alene", "Coeur d'Alene, ID"),
        ("Zurich, CH", "Zürich, Switzerland"),
        ("Windsor, CA", "Windsor, CA"),
        ("Trinidad, CO", "Trinidad, CO"),  # not in Colombia, whose letters these are too
        ("Windsor, Canada", "Windsor, ON"),
        ("", None),
        ("?", None),
    ],
)
def test_names(asked, full_name):
    found = towns.towns_named(asked)
    assert (found[0].full_name if found else None) == full_name


def test_the_nearest_town_comes_first():
    found = towns.towns_near(34.8481, -114.6141, within_m=60e3)
    assert found[0][1].full_name == "Needles, CA"
    assert [apart for apart, _ in found] == sorted(apart for apart, _ in found)
    assert towns.towns_near(0.0, -150.0, within_m=100e3) == []  # the open Pacific


def test_across_the_date_line():
    sides = {town.name: town.lon_deg > 0.0 for _, town in towns.towns_near(-17.5, 179.9, within_m=250e3)}  # Fiji
    assert sides["Levuka"]
    assert not sides["Tubou"]
    numbers = towns.towns_in(south_deg=-20.0, north_deg=-15.0, west_deg=177.0, east_deg=-177.0)
    assert (np.abs(towns.table().lon_deg[numbers]) >= 177.0).all()
