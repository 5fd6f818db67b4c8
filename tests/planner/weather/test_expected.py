"""Air along the road: interpolation by hand, measured normals of mountain stations, the lapse rates, and speed."""

from datetime import UTC, datetime

import numpy as np
import pytest
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from planner.model.errors import PlannerError
from planner.weather.expected import (
    ASSUMED_HIGH_K,
    ASSUMED_LOW_K,
    Anchor,
    air_k,
    dew_point_k,
    expected_air_k,
    grille_rise_k,
    highs_lows_along,
    relief_m,
)

EAST = Anchor(distance_m=100e3, elevation_m=200.0, high_k=308.0, low_k=295.0)
WEST = Anchor(distance_m=300e3, elevation_m=1400.0, high_k=303.0, low_k=286.0)


def anchor(at_m, high_k, low_k, elevation_m=0.0):
    return Anchor(distance_m=at_m, elevation_m=elevation_m, high_k=high_k, low_k=low_k)


TWIN = anchor(100e3, 350.0, 250.0, 200.0)
SOME = [anchor(0.0, 300.0, None), anchor(10.0, 310.0, 290.0)]


@pytest.mark.parametrize(
    ("at_m", "elevation_m", "known", "highs", "lows"),
    [
        ([100e3, 300e3], [200.0, 1400.0], [WEST, EAST], [308.0, 303.0], [295.0, 286.0]),  # met exactly
        # A pass between two towns. At sea level highs 309.3, 312.1 and lows 295.9, 292.3; their means less 6.5 and
        # 4.5 K/km over 2.4 km.
        ([200e3], [2400.0], [EAST, WEST], [295.1], [283.3]),
        ([0.0, 900e3], [200.0, 1400.0], [EAST, WEST], [308.0, 303.0], [295.0, 286.0]),  # level beyond the outermost
        ([0.0], [300.0], [], [ASSUMED_HIGH_K], [ASSUMED_LOW_K]),
        ([0.0], [0.0], [anchor(0.0, 300.0, None)], [300.0], [285.0]),  # 15 K apart where one is missing
        ([0.0], [0.0], [anchor(0.0, None, 285.0)], [300.0], [285.0]),
        ([5.0], [0.0], SOME, [305.0], [290.0]),  # high and low from different places
        ([0.0], [4000.0], [anchor(0.0, 300.0, 296.0)], [274.0], [274.0]),  # the low never passes the high
        ([100e3], [200.0], [EAST, TWIN], [308.0], [295.0]),  # the first of two places at one distance counts
    ],
)
def test_highs_and_lows_along_a_road_by_hand(at_m, elevation_m, known, highs, lows):
    high, low = highs_lows_along(at_m, elevation_m, known)
    assert high == pytest.approx(highs)
    assert low == pytest.approx(lows)


@pytest.mark.parametrize(
    ("high", "low", "text"),
    [(290.0, 300.0, r"low 26.9 degC is above high 16.9"), (float("nan"), 290.0, "not a number")],
)
def test_impossible_place_is_refused(high, low, text):
    with pytest.raises(PlannerError, match=text):
        highs_lows_along([0.0], [0.0], [Anchor(distance_m=0.0, elevation_m=0.0, high_k=high, low_k=low)])


# NOAA climate normals 1981-2010, mean daily high and low of July: station, longitude, elevation m, degC. Stations of
# a 1,000-station selection that lie by the two roads; the first and last of each are the anchors.
GRAND_JUNCTION_DENVER = [
    ("Grand Junction", -108.5400, 1480.7, 34.0, 17.3),
    ("Rifle", -107.7264, 1685.5, 32.7, 12.6),
    ("Eagle", -106.9167, 1980.3, 28.4, 10.7),
    ("Leadville", -106.3169, 3027.3, 21.2, 3.4),
    ("Climax", -106.1897, 3442.4, 18.2, 3.9),
    ("Cabin Creek", -105.7089, 3054.1, 21.0, 7.2),
    ("Denver", -104.8694, 1611.2, 31.2, 15.0),
]
CORTEZ_ALAMOSA = [
    ("Cortez", -108.6275, 1802.6, 32.3, 11.5),
    ("Wolf Creek Pass 1 E", -106.7906, 3243.1, 18.7, 4.8),
    ("Alamosa", -105.8614, 2296.1, 27.9, 8.3),
]


@pytest.mark.parametrize(
    "road", [GRAND_JUNCTION_DENVER, CORTEZ_ALAMOSA], ids=["Grand Junction-Denver", "Cortez-Alamosa"]
)
def test_normals_of_mountain_stations_from_the_towns_at_the_ends(road):
    """Highs come out up to 4 K warm, the safe side; lows up to 6.5 K warm, for cold air lies in the high valleys."""
    east_m = [85e3 * (lon - road[0][1]) for _, lon, *_ in road]  # some 85 km to a degree of longitude
    known = [Anchor(distance_m=east_m[k], elevation_m=road[k][2], high_k=road[k][3], low_k=road[k][4]) for k in (0, -1)]
    high, low = highs_lows_along(east_m, [row[2] for row in road], known)
    high_error, low_error = high - [row[3] for row in road], low - [row[4] for row in road]
    assert -1.0 < high_error.min() <= high_error.max() < 4.0
    assert -1.0 < low_error.min() <= low_error.max() < 6.5


def test_relief_sees_the_pass_from_afar_and_not_from_too_far():
    along = np.arange(0.0, 200e3, 400.0)
    height = 1500.0 + 900.0 * np.exp(-(((along - 100e3) / 5e3) ** 2))
    relief = relief_m(along, height)
    assert relief[np.searchsorted(along, 85e3)] == pytest.approx(900.0, abs=10.0)
    assert relief[np.searchsorted(along, 50e3)] < 1.0
    assert relief_m([0.0, 0.0], [10.0, 10.0]) == pytest.approx([0.0, 0.0])
    assert relief_m([7.0], [10.0]) == pytest.approx([0.0])


@pytest.mark.parametrize("length_m", [20e3, 60e3, 900e3])
def test_relief_is_the_range_of_the_posts_within_25_km(length_m):
    """Against scipy's moving extremes, on roads shorter than the reach and longer."""
    along = np.linspace(0.0, length_m, 3001)
    height = 800.0 + np.random.default_rng(4).normal(0.0, 20.0, along.size).cumsum()
    grid, step_m = np.linspace(0.0, length_m, int(length_m / 500.0) + 2, retstep=True)
    posts, width = np.interp(grid, along, height), 2 * round(25e3 / step_m) + 1
    wanted = maximum_filter1d(posts, width, mode="nearest") - minimum_filter1d(posts, width, mode="nearest")
    assert np.array_equal(relief_m(grid, posts), wanted)


def test_expected_air_is_the_curve_of_the_place():
    epoch = datetime(2027, 7, 6, 20, tzinfo=UTC).timestamp()
    got = expected_air_k(
        distance_m=[0.0], elevation_m=[200.0], lat_deg=[40.0], lon_deg=[-100.0], epoch_s=[epoch], anchors=[EAST]
    )
    assert got[0] == pytest.approx(air_k(epoch_s=epoch, lat_deg=40.0, lon_deg=-100.0, low_k=295.0, high_k=308.0))


@pytest.mark.parametrize(("utc_h", "k_per_km"), [(20.57, 6.5), (11.31, 4.5)])
def test_lapse_rate_follows_the_hour(utc_h, k_per_km):
    """At the high (13.69 by the sun at 102 W) the day's rate, at dawn the night's; a flat road, so no lag."""
    epoch = datetime(2027, 7, 6, tzinfo=UTC).timestamp() + utc_h * 3600.0
    low_road, high_road = (
        expected_air_k(
            distance_m=[0.0, 1e3], elevation_m=[z, z], lat_deg=40.0, lon_deg=-102.0, epoch_s=epoch, anchors=[EAST]
        )[0]
        for z in (200.0, 1200.0)
    )
    assert low_road - high_road == pytest.approx(k_per_km, abs=0.05)


def test_dew_point_lies_below_the_low():
    """Mean dew point less mean low at three US stations: +0.1 (humid July) to -5.9 (arid), from their files."""
    assert -5.9 < float(dew_point_k(290.0)) - 290.0 < 0.1


def test_rise_over_asphalt_is_monotone():
    sun = grille_rise_k(np.linspace(0.0, 1100.0, 50), 25.0)
    assert np.all(np.diff(sun) > 0.0)
    slow = grille_rise_k(1000.0, np.linspace(0.0, 5.0, 50))
    assert np.all(np.diff(slow) < 0.0)
    assert float(grille_rise_k(1000.0, 5.0)) == float(grille_rise_k(1000.0, 40.0)) == 3.0
    assert float(grille_rise_k(-1.0, 10.0)) == 0.0
