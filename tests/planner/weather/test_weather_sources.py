"""Which source counts where and when, carried along the road by hand-checked rules; nothing known changes nothing."""

import math
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from planner.files.folder import open_folder
from planner.files.rows import DatedWeather
from planner.model.errors import PlannerError
from planner.route.graph import choose_route
from planner.route.road import cut_road
from planner.weather.along import REACH_M, WIND_AT_CAR, air_along, bearings_deg, dew_of
from planner.weather.expected import (
    DATED_SD_K,
    GUESS_SD_K,
    Anchor,
    air_k,
    day_sd_k,
    dew_point_k,
    expected_air_k,
    highs_lows_along,
    mountain_lag_h,
    typical_sd_k,
)
from planner.weather.normals import Normals, UsualHighLow
from planner.weather.records import PastYears, PlaceForecast, WeatherSource
from planner.weather.sources import (
    TripWeather,
    anchors_on,
    highs_lows_at,
    highs_lows_on,
    source_sentences,
    sources_used,
    weather_along,
    weather_at,
)
from thermal.air import vapour_pressure_pa

DAY = date(2027, 7, 6)
NOON_S = datetime(2027, 7, 6, 18, 32, tzinfo=UTC).timestamp()  # noon by the sun at 98 W
LON = -98.0


@pytest.fixture
def trip(make_trip, road):
    """Three towns 100 km apart along a meridian on a level plain, high 30, low 15 degC."""
    legs = [road("a", "b", 200 / 3), road("b", "c", 200 / 3)]
    return make_trip(legs, places={key: {"lat_deg": 38.0 + i} for i, key in enumerate("abc")})


def forecast(place, *, air=lambda at: 310.0, made_s=NOON_S - 86400.0, hours=(-40, 40), height=0.0, **more):
    epoch = tuple(NOON_S + 3600.0 * h for h in range(*hours))
    plain = {
        "place": place,
        "source": "nws",
        "lat_deg": 38.0 + "abc".index(place),
        "lon_deg": LON,
        "elevation_m": height,
        "fetched_s": made_s,
        "issued_s": made_s,
        "epoch_s": epoch,
        "air_k": tuple(air(at) for at in epoch),
        "dew_k": (285.0,) * len(epoch),
        "wind_m_per_s": (10.0,) * len(epoch),
        "wind_from_deg": (0.0,) * len(epoch),
    }
    return PlaceForecast(**plain | more)


def outlook_of(trip, legs, **known):
    return weather_along(trip, legs, TripWeather(**known | {"dated": tuple(known.get("dated", ()))}))


def air(trip, *held, km=0, **drive_more):
    """The air of a drive with such forecasts."""
    return air_along(outlook_of(trip, trip.legs, forecasts=weather(*held)), **drive(km, **drive_more))


def weather(*held):
    return {one.place: tuple(o for o in held if o.place == one.place) for one in held}


def entered(place, day=DAY, **more):
    plain = dict.fromkeys(("high_k", "low_k", "humidity", "wind_m_per_s", "wind_from_deg"))
    return DatedWeather(place=place, date=day, **plain | more)


def drive(km, *, at_s=NOON_S, height=0.0, bearing=0.0, lon=LON):
    along = np.atleast_1d(np.asarray(km, dtype=float)) * 1e3
    return {
        "distance_m": along,
        "elevation_m": np.full(len(along), height),
        "lat_deg": np.full(len(along), 39.0),
        "lon_deg": np.full(len(along), lon),
        "epoch_s": np.broadcast_to(np.asarray(at_s, dtype=float), along.shape),
        "bearing_deg": np.full(len(along), bearing),
    }


# --- nothing but what there was before ---


def entered_anchors(trip, legs):
    """Highs and lows of places.csv along the route."""
    at, found = 0.0, []
    keys, lengths = [legs[0].start, *(leg.finish for leg in legs)], [*(leg.distance_m for leg in legs), 0.0]
    for key, length in zip(keys, lengths, strict=True):
        place = trip.places[key]
        if place.high_k is not None:
            found.append(Anchor(distance_m=at, elevation_m=place.elevation_m, high_k=place.high_k, low_k=place.low_k))
        at += length
    return tuple(found)


@pytest.mark.parametrize("example", ["minimal", "alps", "wilmington-astoria"])
def test_usual_values_alone_give_exactly_what_they_gave(copy_example, tmp_path, example):
    trip, _ = open_folder(copy_example(example, tmp_path / "trip"))
    legs = choose_route(trip)
    road = cut_road(trip, legs)
    where = {
        "distance_m": road.end_m,
        "elevation_m": road.elevation_m,
        "lat_deg": road.lat_deg,
        "lon_deg": road.lon_deg,
    }
    where["epoch_s"] = NOON_S + road.end_m / 20.0
    got = air_along(outlook_of(trip, legs), **where, bearing_deg=bearings_deg(road.lat_deg, road.lon_deg))
    anchors = entered_anchors(trip, legs)
    wanted = expected_air_k(**where, anchors=anchors)
    _, low = highs_lows_along(road.end_m, road.elevation_m, anchors)
    assert np.array_equal(got.air_k, wanted)
    assert np.array_equal(got.dew_k, np.minimum(dew_point_k(low), wanted))
    assert not got.headwind_m_per_s.any()
    assert set(got.sd_k) == {GUESS_SD_K if not anchors else typical_sd_k(trip.departure.month, lat_deg=40.0)}


# --- forecasts ---


RISING = forecast("a", air=lambda at: 290.0 + (at - NOON_S) / 3600.0)
GAP = forecast("a", air=lambda at: math.nan if -1 <= (at - NOON_S) / 3600.0 <= 2 else 310.0)
SECOND = forecast("a", air=lambda at: 305.0, source="open-meteo")


@pytest.mark.parametrize(
    ("held", "km", "after_s", "air_k"),
    [
        ((forecast("a"), forecast("b", air=lambda at: 300.0)), (0, 25, 100), 0, (310.0, 307.5, 300.0)),  # in proportion
        ((RISING,), (0, 0, 0), (0, 900, 5400), (290.0, 290.25, 291.5)),  # interpolated in time
        ((forecast("a", hours=(-40, 1)), SECOND), (0, 0), (0, 7200), (310.0, 305.0)),  # the second takes over
    ],
)
def test_forecast_hours_count_where_and_when_they_are(trip, held, km, after_s, air_k):
    assert air(trip, *held, km=km, at_s=NOON_S + np.asarray(after_s)).air_k == pytest.approx(air_k, abs=1e-6)


def test_forecast_fades_out_where_none_follows(trip):
    """Halfway through its reach half of what it differs by from the usual value is left."""
    usual, got = (air(trip, *held, km=[0, REACH_M / 2e3, 200]).air_k for held in ((), (forecast("a"),)))
    assert got == pytest.approx([310.0, usual[1] + (310.0 - usual[0]) / 2.0, usual[2]])


def test_usual_values_come_back_when_the_forecast_ends(trip):
    plain, got = (
        air(trip, *held, km=[0, 0], at_s=[NOON_S, NOON_S + 7200.0]) for held in ((), (forecast("a", hours=(-40, 1)),))
    )
    assert got.air_k == pytest.approx([310.0, plain.air_k[1]])
    assert got.sd_k == pytest.approx([1.5, 3.6])


def test_grid_cell_above_the_place_and_road_above_both(trip):
    """A cell 500 m up: at noon the air falls with height between 4.5 and 6.5 K/km, as the day's curve stands."""
    outlook = outlook_of(trip, trip.legs, forecasts=weather(*(forecast(key, height=500.0) for key in "abc")))
    lag = mountain_lag_h(elevation_m=[0.0], relief_m=[0.0])
    share = float(air_k(epoch_s=NOON_S, lat_deg=39.0, lon_deg=LON, low_k=0.0, high_k=1.0, lag_h=lag)[0])
    lapse = 0.0045 + 0.002 * share
    assert air_along(outlook, **drive(50)).air_k == pytest.approx([310.0 + 500.0 * lapse])
    assert air_along(outlook, **drive(50, height=500.0)).air_k == pytest.approx([310.0])
    assert air_along(outlook, **drive(50, height=1500.0)).air_k == pytest.approx([310.0 - 1000.0 * lapse], abs=0.05)


def test_null_hours_longer_than_three_are_a_gap(trip):
    got = air(trip, GAP, km=[0, 0], at_s=[NOON_S, NOON_S + 3 * 3600.0])
    assert got.sd_k == pytest.approx([3.6, 1.5 + 3 / 24 / 3])
    assert got.air_k[1] == pytest.approx(310.0)


def test_error_grows_with_days_ahead(trip):
    got = [air(trip, forecast("a", made_s=NOON_S - 86400.0 * ahead)).sd_k[0] for ahead in (1, 4, 7)]
    assert got == pytest.approx([1.5, 2.5, 3.5])


def test_forecast_beats_entered_by_date_beats_usual(trip):
    rows = [entered(key, high_k=313.15, low_k=293.15) for key in "ab"]
    outlook = outlook_of(trip, trip.legs, dated=rows, forecasts=weather(forecast("a")))
    at_high = NOON_S + 1.69 * 3600.0  # 12 h + 1.86 - 0.17
    got = air_along(outlook, **drive([0, 200], at_s=at_high))
    assert got.air_k == pytest.approx([310.0, 303.15], abs=0.02)
    only = air_along(outlook_of(trip, trip.legs, dated=rows), **drive([0, 100, 200], at_s=at_high))
    assert only.air_k == pytest.approx([313.15, 313.15, 303.15], abs=0.02)
    assert only.sd_k == pytest.approx([DATED_SD_K, DATED_SD_K, 3.6])


def test_entered_by_date_counts_on_that_date_and_its_neighbours(trip):
    outlook = outlook_of(trip, trip.legs, dated=[entered("a", high_k=313.15, low_k=293.15)])
    at_high = NOON_S + 1.69 * 3600.0 + 86400.0 * np.array([-2, -1, 0, 1, 2])
    got = air_along(outlook, **drive([0] * 5, at_s=at_high))
    assert got.air_k == pytest.approx([303.15, 313.15, 313.15, 313.15, 303.15], abs=0.05)


def test_nights_between_different_days_have_no_jump(trip):
    rows = [
        entered("a", high_k=313.15, low_k=293.15),
        entered("a", DAY + timedelta(days=1), high_k=298.15, low_k=280.15),
    ]
    epoch = NOON_S + np.arange(-2 * 86400.0, 3 * 86400.0, 60.0)
    got = air_along(outlook_of(trip, trip.legs, dated=rows), **drive(np.zeros(len(epoch)), at_s=epoch)).air_k
    assert np.abs(np.diff(got)).max() < 0.15  # kelvin a minute
    plain = air_along(outlook_of(trip, trip.legs), **drive(np.zeros(len(epoch)), at_s=epoch)).air_k
    assert np.abs(np.diff(plain)).max() < 0.15


# --- air that cannot be ---


@pytest.mark.parametrize(
    ("places", "said"),
    [
        ({"b": {"elevation_m": 8999.0}}, "air near A would be 88 degC"),  # one elevation, its high brought down to A
        ({"a": {"high_k": None, "low_k": None}, "b": {"high_k": 330.0, "elevation_m": 3000.0}}, "air near A would be"),
    ],
)
def test_air_hotter_than_any_measured_is_refused(make_trip, road, places, said):
    """The World Meteorological Organization's archive of extremes: 56.7 degC is the highest ever measured."""
    legs = [road("a", "b", 200 / 3)]
    bare = {"a": {"high_k": None, "low_k": None}} | places
    trip = make_trip(legs, places=bare)
    with pytest.raises(PlannerError, match=said) as caught:
        air_along(outlook_of(trip, legs), **drive([0, 100], at_s=NOON_S + 1.69 * 3600.0))
    assert "Check the highs, lows and elevations" in str(caught.value)


# --- one place ---


def test_one_place_alone_has_the_air_it_has_on_a_route(trip):
    dated = TripWeather(dated=(entered("b", high_k=311.0, low_k=290.0),))
    for key, known in (("b", dated), ("c", TripWeather(forecasts=weather(forecast("c"))))):
        at = {"distance_m": [0.0], "elevation_m": [0.0], "lat_deg": [39.0], "lon_deg": [LON], "bearing_deg": [math.nan]}
        alone = air_along(weather_at(trip, key, known), **at, epoch_s=[NOON_S])
        along = air_along(weather_along(trip, trip.legs, known), **drive(100.0 if key == "b" else 200.0))
        assert alone.air_k == pytest.approx(along.air_k, abs=1e-9)
        assert alone.sd_k == pytest.approx(along.sd_k, abs=1e-9)


def test_a_place_without_values_leans_on_the_nearest(make_trip, road):
    bare = {"high_k": None, "low_k": None}
    legs = [road("a", "b", 60.0), road("b", "c", 60.0)]
    places = {"a": {"lat_deg": 38.0, "high_k": 300.0}, "b": {"lat_deg": 38.9, "elevation_m": 1000.0} | bare}
    trip = make_trip(legs, places=places | {"c": {"lat_deg": 39.1, "high_k": 310.0}})
    (high,), _, _ = highs_lows_at(
        weather_at(trip, "b"),
        distance_m=np.zeros(1),
        elevation_m=np.full(1, 1000.0),
        lon_deg=np.full(1, LON),
        epoch_s=np.full(1, NOON_S),
    )
    assert high == pytest.approx(310.0 - 6.5)


# --- stations that come with the program ---


class Shipped:
    """Knows the country south of 39.5 N."""

    words = "stations of the program"

    def at(self, where, *, day):
        return [UsualHighLow(high_k=297.0, low_k=285.0, error_k=4.0) if row[0] < 39.5 else None for row in where]


def test_stations_fill_what_nothing_else_tells(make_trip, road):
    """Below what was entered, the folder's own table and past years; above a neighbour's values, which b would take."""
    bare = {"high_k": None, "low_k": None}
    legs = [road("a", "b", 200 / 3), road("b", "c", 200 / 3)]
    trip = make_trip(
        legs, places={"a": {"lat_deg": 38.0}, "b": bare | {"lat_deg": 39.0}, "c": bare | {"lat_deg": 40.0}}
    )

    def found(**known):
        held = highs_lows_on(outlook_of(trip, legs, stations=Shipped(), **known), DAY)
        return [(one.place.key, one.source, one.anchor.high_k, one.sd_k) for one in held]

    a = ("a", WeatherSource.ENTERED, 303.15, 3.6)
    assert found() == [a, ("b", WeatherSource.STATIONS, 297.0, pytest.approx(math.hypot(3.6, 4.0)))]
    assert found(past={"b": years("b")})[1] == ("b", WeatherSource.PAST_YEARS, 301.15, 2.7)
    assert [one[1] for one in found(normals=stations())[1:]] == [WeatherSource.NORMALS] * 2
    used = sources_used(
        outlook_of(trip, legs, stations=Shipped()), distance_m=[100e3], lon_deg=[LON], epoch_s=[NOON_S], day=[0]
    )
    assert "stations of the program" in source_sentences(used, outlook_of(trip, legs, stations=Shipped()))[1]


# --- typical values ---


def stations(high_k=299.15):
    return Normals(
        file="normals.csv",
        station=("x",),
        lat_deg=np.array([39.0]),
        lon_deg=np.array([LON]),
        elevation_m=np.array([0.0]),
        high_k=np.full((1, 12), high_k),
        low_k=np.full((1, 12), high_k - 12.0),
    )


def years(place, high_k=301.15):
    return PastYears(
        place=place,
        lat_deg=39.0,
        lon_deg=LON,
        elevation_m=0.0,
        days=(DAY,),
        high_k=(high_k,),
        low_k=(high_k - 12.0,),
        sd_k=(2.7,),
        years=(2017, 2026),
        fetched_s=NOON_S,
    )


def test_normals_then_past_years_where_nobody_entered(make_trip, road):
    bare = {"high_k": None, "low_k": None}
    legs = [road("a", "b", 200 / 3), road("b", "c", 200 / 3)]
    trip = make_trip(legs, places={"b": bare, "c": bare})
    at_high = NOON_S + 1.69 * 3600.0
    both = outlook_of(trip, legs, normals=stations(), past={"b": years("b")})
    got = air_along(both, **drive([0, 100], at_s=at_high))
    assert got.air_k == pytest.approx([303.15, 299.15], abs=0.02)  # the entered one stays
    past = outlook_of(trip, legs, past={"b": years("b")})
    got = air_along(past, **drive([0, 100, 200], at_s=at_high))
    assert got.air_k == pytest.approx([303.15, 301.15, 301.15], abs=0.02)
    assert got.sd_k == pytest.approx([3.6, 2.7, 2.7])


def test_nothing_known_is_a_guess(make_trip, road):
    trip = make_trip([road("a", "b", 60.0)], places={key: {"high_k": None, "low_k": None} for key in "ab"})
    assert air_along(outlook_of(trip, trip.legs), **drive(0)).sd_k == pytest.approx([GUESS_SD_K])
    outlook = outlook_of(trip, trip.legs, forecasts=weather(forecast("a"), forecast("b")))
    got = air_along(outlook, **drive([0, 45, 90]))
    assert got.air_k == pytest.approx([310.0] * 3)
    assert got.sd_k == pytest.approx([1.5] * 3)


# --- wind and humidity ---


@pytest.mark.parametrize(
    ("bearing", "share"), [(0.0, 1.0), (180.0, -1.0), (90.0, 0.0), (45.0, math.sqrt(0.5)), (math.nan, 0.0)]
)
def test_headwind_of_a_north_wind(trip, bearing, share):
    got = air(trip, *(forecast(key) for key in "abc"), km=50, bearing=bearing).headwind_m_per_s
    assert got == pytest.approx([10.0 * WIND_AT_CAR * share], abs=1e-9)


def test_wind_profile_over_grass():
    """Log law with 0.03 m of roughness, the textbook value for open grass."""
    assert pytest.approx(math.log(1 / 0.03) / math.log(10 / 0.03), abs=0.005) == WIND_AT_CAR


def test_entered_wind_and_humidity(trip):
    row = entered("a", humidity=0.5, wind_m_per_s=5.0, wind_from_deg=90.0)
    got = air_along(outlook_of(trip, trip.legs, dated=[row]), **drive([0, 200], bearing=90.0))
    assert got.headwind_m_per_s == pytest.approx([3.0, 0.0])
    mean_k = 0.5 * (303.15 + 288.15)
    assert float(vapour_pressure_pa(got.dew_k[0])) == pytest.approx(0.5 * float(vapour_pressure_pa(mean_k)), rel=1e-6)
    assert got.dew_k[1] == pytest.approx(286.15)
    assert got.air_k == pytest.approx(air_along(outlook_of(trip, trip.legs), **drive([0, 200])).air_k)


def test_entered_humidity_counts_on_its_own_day(trip):
    later = DAY + timedelta(days=4)
    rows = [entered("a", humidity=0.9), entered("a", later, humidity=0.3)]
    got = air_along(outlook_of(trip, trip.legs, dated=rows), **drive([0, 0], at_s=[NOON_S, NOON_S + 4 * 86400.0]))
    mean_k = 0.5 * (303.15 + 288.15)
    assert got.dew_k == pytest.approx(np.array([dew_of(mean_k, 0.9), dew_of(mean_k, 0.3)]))


def test_dew_point_against_the_vapour_pressure_it_inverts():
    for humidity in (0.05, 0.4, 1.0):
        dew = dew_of(305.0, humidity)
        assert float(vapour_pressure_pa(dew)) == pytest.approx(humidity * float(vapour_pressure_pa(305.0)), rel=1e-9)


def test_dew_point_is_never_above_the_air(trip):
    humid = forecast("a", air=lambda at: 280.0, dew_k=(285.0,) * 80)
    got = air(trip, humid, km=[0, 30])
    assert (got.dew_k <= got.air_k).all()


def test_forecast_dew_point_is_met(trip):
    got = air(trip, forecast("a"), forecast("b", dew_k=(281.0,) * 80), km=[0, 50, 100])
    assert got.dew_k == pytest.approx([285.0, 283.0, 281.0])


def test_bearings():
    lat, lon = [40.0, 41.0, 41.0, 40.0, 40.0], [-100.0, -100.0, -99.0, -99.0, -99.0]
    got = bearings_deg(lat, lon)
    assert got[[0, 1, 3]] == pytest.approx([0.0, 0.0, 180.0])
    assert got[2] == pytest.approx(90.0, abs=0.5)
    assert math.isnan(got[4])
    assert bearings_deg([0.0, 0.0], [179.5, -179.5])[1] == pytest.approx(90.0)


# --- days, anchors, words ---


def test_standard_deviation_of_each_day():
    got = day_sd_k([1.0, 3.0, 3.6, 9.0], day=[0, 0, 1, 1], weight=[3600.0, 3600.0, 600.0, 0.0], n_day=2)
    assert got == pytest.approx([math.sqrt(5.0), 3.6], abs=0.001)
    assert day_sd_k([2.0], day=[0], weight=[0.0], n_day=1) == pytest.approx([2.0])


def test_anchors_of_a_day_take_the_forecasts_extremes(trip):
    swing = forecast("a", air=lambda at: 295.0 + 10.0 * math.cos((at - NOON_S) / 86400.0 * 2 * math.pi), height=50.0)
    first, *rest = anchors_on(outlook_of(trip, trip.legs, forecasts=weather(swing)), DAY)
    assert (first.high_k, first.elevation_m) == (pytest.approx(305.0, abs=0.05), 50.0)
    assert first.low_k == pytest.approx(295.0 - 10.0 * math.cos(math.pi / 4), abs=0.1)  # 03:00 by the sun
    assert len(rest) == 2
    late = forecast("a", hours=(0, 40))
    assert anchors_on(outlook_of(trip, trip.legs, forecasts=weather(late)), DAY)[0].high_k == 303.15


def test_words_say_which_source_where_and_how_old(trip):
    dated = [entered("b", high_k=313.15, low_k=293.15)]
    outlook = outlook_of(trip, trip.legs, dated=dated, forecasts=weather(forecast("a", made_s=NOON_S - 7200.0)))
    along = {
        "distance_m": [50e3, 100e3, 200e3],
        "lon_deg": [LON] * 3,
        "epoch_s": [NOON_S, NOON_S, NOON_S + 86400.0],
        "day": [0, 0, 1],
    }
    used = sources_used(outlook, **along)
    assert [(one.day, one.place.key, one.source) for one in used] == [
        (0, "a", WeatherSource.FORECAST),
        (0, "b", WeatherSource.DATED),
        (1, "b", WeatherSource.DATED),
        (1, "c", WeatherSource.ENTERED),
    ]
    told = source_sentences(used, outlook)
    assert told[0].startswith("Weather of day 1 at A: forecast of US National Weather Service, fetched 2027-07-06 ")
    assert "2027-07-06 16:32 UTC" in told[0]
    assert told[1] == "Weather of days 1 to 2 at B: entered by date in weather.csv."
    assert told[2] == "Weather of day 2 at C: usual highs and lows from places.csv."
    assert "Public domain" in told[3]


def test_past_years_are_credited(make_trip, road):
    trip = make_trip([road("a", "b", 60.0)], places={key: {"high_k": None, "low_k": None} for key in "ab"})
    outlook = outlook_of(trip, trip.legs, past={"a": years("a")})
    told = source_sentences(sources_used(outlook, distance_m=[90e3], lon_deg=[LON], epoch_s=[NOON_S], day=[0]), outlook)
    assert told[0] == "Weather of day 1 at A: means of the years 2017 to 2026 from Open-Meteo's archive."
    assert told[1] == "Weather of day 1 at B: interpolated from the nearest places with values."
    assert "CC BY 4.0" in told[2]
    assert "non-commercial" in told[2]


def test_a_place_passed_twice(make_trip, road):
    legs = [road("a", "b", 60.0), road("b", "a", 60.0)]
    trip = make_trip(legs, route=("a", "b", "a"))
    outlook = outlook_of(trip, legs, forecasts=weather(forecast("a")))
    assert air_along(outlook, **drive([0, 180])).air_k == pytest.approx([310.0, 310.0])
