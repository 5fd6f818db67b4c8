"""Time zones against public facts, the sun against pvlib's SPA and astral."""

from datetime import UTC, date, datetime, timedelta, timezone

import numpy as np
import pandas as pd
import pytest
from astral import Observer
from astral.sun import elevation
from pvlib import solarposition, spa

from planner.model.clock import (
    ensure_aware,
    local_to_utc,
    solar_elevation_deg,
    sun_angles,
    sun_at,
    sun_times_utc,
    to_local,
    zone_of,
)
from planner.model.errors import PlannerError

# Public facts: the zone each community keeps, as the IANA data base names it.
PLACES = [
    ("Phoenix AZ", 33.45, -112.07, "America/Phoenix"),
    ("Tuba City AZ, Navajo Nation", 36.13, -111.24, "America/Denver"),
    ("Kayenta AZ, Navajo Nation", 36.727, -110.255, "America/Denver"),
    ("Kykotsmovi AZ, Hopi", 35.836, -110.62, "America/Phoenix"),
    ("West Wendover NV", 40.739, -114.073, "America/Denver"),
    ("Ontario OR", 44.0266, -116.963, "America/Boise"),
    ("El Paso TX", 31.76, -106.485, "America/Denver"),
    ("Pensacola FL", 30.42, -87.217, "America/Chicago"),
    ("Beulah ND", 47.263, -101.778, "America/North_Dakota/Beulah"),
    ("Knox IN", 41.296, -86.625, "America/Indiana/Knox"),
    ("Ironwood MI", 46.4547, -90.171, "America/Menominee"),
    ("Kenton OK, by law, not by custom", 36.90, -102.966, "America/Chicago"),
    ("Pacific", 30.0, -150.0, "Etc/GMT+10"),
    ("Gulf of Guinea", 0.0, 0.0, "Etc/GMT"),
]

# A drive west of about 2,500 mi: UTC hours after the start, and the zone of each place (public facts).
CHAIN = [
    (0, "Wilmington NC", 34.2257, -77.9447, "America/New_York"),
    (9, "Knoxville TN", 35.9606, -83.9207, "America/New_York"),
    (12, "Nashville TN", 36.1627, -86.7816, "America/Chicago"),
    (33, "Amarillo TX", 35.2220, -101.8313, "America/Chicago"),
    (35, "Tucumcari NM", 35.1717, -103.7250, "America/Denver"),
    (45, "Kayenta AZ", 36.7278, -110.2546, "America/Denver"),
    (47, "Kykotsmovi AZ", 35.8360, -110.6200, "America/Phoenix"),
    (49, "Tuba City AZ", 36.1300, -111.2400, "America/Denver"),
    (50, "Flagstaff AZ", 35.1983, -111.6513, "America/Phoenix"),
    (54, "Needles CA", 34.8481, -114.6141, "America/Los_Angeles"),
]


@pytest.mark.parametrize(("place", "lat", "lon", "zone"), PLACES, ids=[p[0] for p in PLACES])
def test_zone_of_awkward_places(place, lat, lon, zone):
    assert zone_of(lat, lon) == zone


@pytest.mark.parametrize(("lat", "lon"), [(91.0, 0.0), (0.0, 181.0), (float("nan"), 0.0)])
def test_zone_off_the_globe_is_refused(lat, lon):
    with pytest.raises(PlannerError, match="latitude must be -90 to 90"):
        zone_of(lat, lon)


def test_chain_of_zones_across_a_continent():
    assert [zone_of(lat, lon) for _, _, lat, lon, _ in CHAIN] == [zone for *_, zone in CHAIN]
    start = local_to_utc(datetime(2027, 7, 6, 7, 0), "America/New_York")
    shown = {name: to_local(start + timedelta(hours=h), zone).strftime("%d %H:%M") for h, name, *_, zone in CHAIN}
    assert shown["Nashville TN"] == "06 18:00"  # 3 h after 16:00 in Knoxville, yet two on the clock
    assert shown["Tucumcari NM"] == "07 16:00"
    assert shown["Kayenta AZ"] == "08 02:00"
    assert shown["Kykotsmovi AZ"] == "08 03:00"  # Hopi land keeps no summer time,
    assert shown["Tuba City AZ"] == "08 06:00"  # Navajo land around it does
    assert shown["Flagstaff AZ"] == shown["Tuba City AZ"]  # an hour's drive, no time on the clock
    assert shown["Needles CA"] == "08 10:00"  # summer time in California is Arizona's time


def test_arrival_may_come_before_departure_on_the_clock():
    leave = local_to_utc(datetime(2027, 7, 6, 10, 0), "America/Denver")  # Tuba City
    arrive = to_local(leave + timedelta(minutes=30), "America/Phoenix")  # Cameron, Arizona
    assert (arrive.hour, arrive.minute) == (9, 30)
    assert arrive > leave


# Denver: summer time ends 2026-11-01 02:00, begins 2027-03-14 02:00 (tzdata; Energy Policy Act of 2005).
def test_night_clocks_go_back():
    start = local_to_utc(datetime(2026, 11, 1, 0, 30), "America/Denver")
    assert to_local(start + timedelta(hours=3), "America/Denver").strftime("%H:%M%z") == "02:30-0700"
    twice = datetime(2026, 11, 1, 1, 30)
    assert local_to_utc(twice, "America/Denver") == datetime(2026, 11, 1, 7, 30, tzinfo=UTC)  # the first, still summer
    assert local_to_utc(twice.replace(fold=1), "America/Denver") == datetime(2026, 11, 1, 7, 30, tzinfo=UTC)
    day = local_to_utc(datetime(2026, 11, 2), "America/Denver") - local_to_utc(datetime(2026, 11, 1), "America/Denver")
    assert day == timedelta(hours=25)


def test_night_clocks_go_forward():
    start = local_to_utc(datetime(2027, 3, 14, 1, 30), "America/Denver")
    assert to_local(start + timedelta(hours=1), "America/Denver").strftime("%H:%M%z") == "03:30-0600"
    with pytest.raises(PlannerError, match=r"2027-03-14 02:30 does not exist in America/Denver.*write 03:30"):
        local_to_utc(datetime(2027, 3, 14, 2, 30), "America/Denver")
    assert local_to_utc(datetime(2027, 3, 14, 2, 30), "America/Phoenix") == datetime(2027, 3, 14, 9, 30, tzinfo=UTC)


def test_times_without_or_with_too_many_zones_are_refused():
    with pytest.raises(PlannerError, match="has no time zone"):
        ensure_aware(datetime(2027, 7, 6, 7, 0))
    with pytest.raises(PlannerError, match="has no time zone"):
        to_local(datetime(2027, 7, 6, 7, 0), "America/Denver")
    with pytest.raises(PlannerError, match="already has a zone"):
        local_to_utc(datetime(2027, 7, 6, 7, 0, tzinfo=UTC), "America/Denver")
    with pytest.raises(PlannerError, match="'Mountain' is unknown"):
        local_to_utc(datetime(2027, 7, 6, 7, 0), "Mountain")


# Computed with pvlib's SPA; sunrise and sunset by local clock. Published almanacs agree with SPA to the minute.
SUN = [
    (40.0, -105.0, date(2025, 6, 21), -6, "05:31:24", "20:32:12"),
    (40.0, -105.0, date(2025, 12, 21), -7, "07:18:29", "16:38:10"),
    (36.0, -115.0, date(2025, 7, 15), -7, "05:35:07", "19:57:07"),
    (46.5, 7.5, date(2025, 8, 1), 2, "06:11:03", "21:00:51"),
    (0.0, 0.0, date(2025, 3, 20), 0, "06:04:06", "18:10:37"),
]


@pytest.mark.parametrize(("lat", "lon", "day", "offset_h", "rise", "fall"), SUN)
def test_sunrise_and_sunset(lat, lon, day, offset_h, rise, fall):
    zone = timezone(timedelta(hours=offset_h))
    for got, text in zip(sun_times_utc(lat, lon, day), (rise, fall), strict=True):
        wanted = datetime.combine(day, datetime.strptime(text, "%H:%M:%S").time(), tzinfo=zone)
        assert abs(got - wanted) < timedelta(seconds=60)


# At 71 N the sun stays up in June, down in December; at 64.8 N it sets for 2 h 11 min on 21 June (from memory).
def test_polar_day_night_and_almost():
    rise, fall = sun_times_utc(71.0, -156.0, date(2025, 6, 21))
    assert fall - rise == timedelta(hours=24)
    rise, fall = sun_times_utc(71.0, -156.0, date(2025, 12, 21))
    assert fall == rise
    assert float(sun_at(lon_deg=-156.0, epoch_s=rise.timestamp())[1]) == pytest.approx(12.0, abs=0.005)
    rise, fall = sun_times_utc(64.8, -147.7, date(2025, 6, 21))
    assert (fall - rise).total_seconds() / 3600.0 == pytest.approx(21.8, abs=0.1)


@pytest.mark.parametrize("lat", [0.0, 35.0, -45.0, 60.0, 65.6, 66.2, 67.0, 80.0])
@pytest.mark.parametrize("lon", [-179.9, -100.0, 0.0, 179.9])
def test_sunset_follows_sunrise_around_the_year(lat, lon):
    for number in range(0, 365, 7):
        day = date(2027, 1, 1) + timedelta(days=number)
        rise, fall = sun_times_utc(lat, lon, day)
        assert timedelta(0) <= fall - rise <= timedelta(hours=24)
        middle = (rise + (fall - rise) / 2 + timedelta(hours=lon / 15.0)).replace(tzinfo=None)
        assert abs(middle - datetime(day.year, day.month, day.day, 12)) < timedelta(minutes=25)


def test_height_of_the_sun_against_spa():
    random = np.random.default_rng(1)
    lat, lon = random.uniform(-66.0, 71.0, 200), random.uniform(-180.0, 180.0, 200)
    epoch = random.uniform(
        datetime(2000, 1, 1, tzinfo=UTC).timestamp(), datetime(2050, 1, 1, tzinfo=UTC).timestamp(), 200
    )
    got = solar_elevation_deg(lat_deg=lat, lon_deg=lon, epoch_s=epoch)
    for at, north, east, mine in zip(epoch, lat, lon, got, strict=True):
        topocentric = spa.solar_position_numpy(np.array([at]), north, east, 0.0, 1013.25, 12.0, 67.0, 0.5667, 1)
        assert mine == pytest.approx(topocentric[3][0], abs=0.02)  # index 3: without refraction


def test_equation_of_time_and_declination_against_spa():
    times = pd.date_range("2027-01-01", periods=365, freq="D", tz="UTC")
    declination_deg, ahead_h = sun_angles(times.as_unit("s").asi8)
    assert np.max(np.abs(ahead_h * 60.0 - solarposition.spa_python(times, 0.0, 0.0)["equation_of_time"])) < 0.1
    assert declination_deg.max() == pytest.approx(23.436, abs=0.01)  # obliquity of that year
    assert declination_deg.min() == pytest.approx(-23.436, abs=0.01)


def test_many_instants_are_interpolated_within_what_is_told():
    """Against one instant at a time, which the formulas are worked out for."""
    times = np.arange(1_812_000_000.0, 1_812_000_000.0 + 86400.0, 500.0)
    each = np.array([sun_angles(time) for time in times])
    for found, wanted, within in zip(sun_angles(times), each.T, (2e-6, 2e-4 / 3600.0), strict=True):
        assert 0.0 < np.abs(found - wanted).max() < within


def test_height_of_the_sun_against_astral():
    for hour in range(0, 24, 3):
        when = datetime(2027, 7, 10, hour, 20, tzinfo=UTC)
        wanted = elevation(Observer(39.0, -106.0, 0.0), when, with_refraction=False)
        assert float(solar_elevation_deg(lat_deg=39.0, lon_deg=-106.0, epoch_s=when.timestamp())) == pytest.approx(
            wanted, abs=0.02
        )


@pytest.mark.parametrize("lat", [64.8, 66.8, 67.5, 69.6, 71.0, -67.6])
def test_short_days_near_the_polar_night_against_spa(lat):
    """SPA puts the sun's centre at -0.833 deg at both; on the first and last days of sun they were 12 h off once."""
    lon, seen, days = 25.0, 0, range(0, 365, 3)
    for day in (date(2027, 1, 1) + timedelta(days=number) for number in days):
        rise, fall = sun_times_utc(lat, lon, day)
        if not timedelta(0) < fall - rise < timedelta(hours=23):
            continue
        seen += 1
        at = np.array([rise.timestamp(), fall.timestamp()])
        height_deg = spa.solar_position_numpy(at, lat, lon, 0.0, 1013.25, 12.0, 67.0, 0.5667, 1)[3]
        assert height_deg == pytest.approx(-0.833, abs=0.03)
        middle = rise + (fall - rise) / 2 + timedelta(hours=lon / 15.0)
        assert (middle.date(), middle.hour) in ((day, 11), (day, 12))
    assert seen > 0.4 * len(days)
