"""Roads open for a season only: gone round when shut, refused when the route insists, told in either case."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest

from planner.files.folder import open_folder
from planner.forecast.run import Forecast, forecast
from planner.model.errors import NoRouteError, TripError
from planner.model.trip import Leg

PLACES = """place,name,lat,lon,elevation [m],services
brig,Brig,46.3150,7.9870,680,lodging
ulrichen,Ulrichen,46.5050,8.3090,1346,lodging
furka,Furkapass,46.5725,8.4147,2427,
nufenen,Nufenenpass,46.4771,8.3870,2478,
andermatt,Andermatt,46.6360,8.5940,1440,lodging
"""
LEGS = """from,to,distance [km],speed [km/h],road,open
brig,ulrichen,40,60,19,
ulrichen,furka,21.8,42,Furka road,{furka}
furka,andermatt,21.5,45,Furka road,{furka}
ulrichen,nufenen,13.5,42,Nufenen road,{nufenen}
nufenen,andermatt,50,50,Nufenen road,{nufenen}
"""


def write(folder: Path, *, furka="", nufenen="", departure="2027-07-09 08:00", more="") -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "places.csv").write_text(PLACES, encoding="utf-8")
    (folder / "legs.csv").write_text(LEGS.format(furka=furka, nufenen=nufenen), encoding="utf-8")
    route = more or 'start = "brig"\nfinish = "andermatt"\n'
    (folder / "trip.toml").write_text(
        f'units = "metric"\n{route}departure = "{departure}"\n[day]\ndaylight = false\n', encoding="utf-8"
    )
    (folder / "vehicle.toml").write_text('base = "saloon-2000s-diesel"\n', encoding="utf-8")
    return folder


@pytest.fixture
def drive(tmp_path) -> Callable[..., Forecast]:
    return lambda **words: forecast(*open_folder(write(tmp_path / "trip", **words)))


def roads(outlook: Forecast) -> list[str]:
    return [leg.road for leg in outlook.legs]


OVER_FURKA = ["19", "Furka road", "Furka road"]
OVER_NUFENEN = ["19", "Nufenen road", "Nufenen road"]


# --- the calendar ---


def season(words: str) -> tuple[tuple[int, int], tuple[int, int]]:
    """Read as docs/formats.md says: month-day..month-day."""
    (a, b), (c, d) = (map(int, part.split("-")) for part in words.split(".."))
    return (a, b), (c, d)


@pytest.fixture
def leg(road) -> Callable[[str], Leg]:
    return lambda words: road("a", "b", 10.0, season=season(words))


@pytest.mark.parametrize("words", ["05-28..10-15", "11-15..04-30", "01-01..12-31", "07-01..07-01", "12-31..01-01"])
def test_a_season_covers_its_days_both_ends_included(leg, words):
    (a, b), (c, d) = season(words)
    # By walking the year from the first day to the last, over the new year if need be.
    day, covered = date(2027, a, b), set()
    while True:
        covered.add((day.month, day.day))
        if (day.month, day.day) == (c, d):
            break
        day += timedelta(days=1)
    road = leg(words)
    for n in range(365):
        today = date(2027, 1, 1) + timedelta(days=n)
        assert road.open_on(today) == ((today.month, today.day) in covered), today


def test_leap_day_is_a_winter_s_day(leg):
    assert leg("11-15..04-30").open_on(date(2028, 2, 29))
    assert not leg("05-28..10-15").open_on(date(2028, 2, 29))


def test_the_way_back_has_the_same_season(leg):
    assert leg("05-28..10-15").reverse().season == ((5, 28), (10, 15))


# --- the road taken ---


@pytest.mark.parametrize(
    ("day", "open_"), [("05-27", False), ("05-28", True), ("10-15", True), ("10-16", False), ("01-10", False)]
)
def test_a_shut_pass_is_gone_round_and_told(drive, day, open_):
    outlook = drive(furka="05-28..10-15", departure=f"2027-{day} 08:00")
    assert roads(outlook) == (OVER_FURKA if open_ else OVER_NUFENEN)
    told = [said for said in outlook.trip.assumptions if "closed on the day" in said]
    assert (told == []) == open_
    if told:
        assert told[0].startswith("Furka road from Ulrichen to Furkapass is closed on the day it would be driven")


def test_the_day_it_is_driven_counts_not_the_departure(drive):
    # Late in the evening of 27 May the pass is reached after midnight, on the 28th.
    assert roads(drive(furka="05-28..10-15", departure="2027-05-27 23:45")) == OVER_FURKA
    assert roads(drive(furka="05-28..10-15", departure="2027-05-27 20:00")) == OVER_NUFENEN


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ({"more": 'start = "brig"\nfinish = "andermatt"\nvia = ["furka"]\n'}, "Furkapass"),
        ({"nufenen": "06-01..09-30"}, "Andermatt"),
    ],
    ids=["via on the pass", "both ways shut"],
)
def test_where_no_way_leads_round_there_is_no_route(drive, words, said):
    with pytest.raises(NoRouteError, match=said):
        drive(furka="05-28..10-15", departure="2027-01-10 08:00", **words)


def test_a_route_that_insists_is_refused(drive):
    every = 'route = ["brig", "ulrichen", "furka", "andermatt"]\n'
    assert roads(drive(furka="05-28..10-15", more=every)) == OVER_FURKA
    with pytest.raises(NoRouteError) as caught:
        drive(furka="05-28..10-15", departure="2027-01-10 08:00", more=every)
    said = str(caught.value)
    assert "Furka road from Ulrichen to Furkapass is closed on the day it would be driven" in said
    assert "(open 05-28 to 10-15)" in said
    assert 'departure = "2027-05-28 ' in said


# --- what is refused on reading ---


@pytest.mark.parametrize("words", ["5-28..10-15", "05-28-10-15", "13-01..14-01", "02-30..10-15", "05-28..", "summer"])
def test_a_season_that_is_none_is_refused(tmp_path, words):
    with pytest.raises(TripError) as caught:
        open_folder(write(tmp_path / "trip", furka=words))
    for row in (3, 4):  # of either leg
        said = [problem for problem in caught.value.problems if f"legs.csv row {row}, column 'open'" in problem]
        assert said
        assert all(words in problem for problem in said)


def test_a_season_is_read_as_written(tmp_path):
    trip, _ = open_folder(write(tmp_path / "trip", furka="05-28..10-15", nufenen="yes"))
    by_road = {leg.road: leg for leg in trip.legs}
    assert by_road["Furka road"].season == ((5, 28), (10, 15))
    assert by_road["Furka road"].open
    assert by_road["Nufenen road"].season is None
    assert replace(by_road["Nufenen road"], open=False).open_on(date(2027, 7, 1)) is False
    assert datetime(2027, 7, 9, 8) == trip.departure
