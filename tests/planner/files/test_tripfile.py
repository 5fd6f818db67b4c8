"""Reading a trip folder: what is read, and the sentence each slip earns."""

import csv
import re
import shutil
from datetime import datetime, time
from pathlib import Path

import pytest
from editing import edit

from planner.files.folder import new_folder, read_trip
from planner.model.errors import TripError

# A real stretch of road, figures rounded: Trinidad - Raton Pass - Raton by I-25, then on to Clayton by US 64/87.
TOML = """
start = "trinidad"
finish = "clayton"
departure = "2027-07-06 07:00"
"""
PLACES = """place,name,lat,lon,elevation [ft],kind,services,high [degF],low [degF],note
trinidad,Trinidad,37.17,-104.50,6025,town,fuel lodging,90,57,
raton-pass,Raton Pass,36.99,-104.49,7834,pass,parking,82,52,
raton,Raton,36.90,-104.44,6680,town,fuel lodging food,88,56,
clayton,"Clayton, New Mexico",36.45,-103.18,5052,town,fuel,93,62,last fuel
"""
LEGS = """from,to,distance [mi],speed [mph],road,two_way,open,profile,note
trinidad,raton-pass,14,55,I-25,yes,yes,profiles/raton.csv,
raton-pass,raton,8,55,I-25,yes,yes,,
raton,clayton,83,60,US 64,no,yes,,wind
"""
PROFILE = """distance [mi],elevation [ft]
0,6025
7,6600
14,7834
"""
FILES = {"trip.toml": TOML, "places.csv": PLACES, "legs.csv": LEGS, "profiles/raton.csv": PROFILE}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return make_folder(tmp_path / "trip")


def make_folder(trip: Path) -> Path:
    (trip / "profiles").mkdir(parents=True)
    for name, text in FILES.items():
        (trip / name).write_text(text, encoding="utf-8")
    return trip


def problems_of(folder: Path) -> tuple[str, ...]:
    with pytest.raises(TripError) as caught:
        read_trip(folder)
    assert all("\n" not in sentence for sentence in caught.value.problems)
    return caught.value.problems


def only_problem(folder: Path) -> str:
    problems = problems_of(folder)
    assert len(problems) == 1, problems
    return problems[0]


def test_everything_is_read_in_si(folder: Path) -> None:
    trip = read_trip(folder)
    assert trip.name == "trip"
    assert trip.route == ("trinidad", "clayton")
    assert not trip.explicit
    assert trip.departure == datetime(2027, 7, 6, 7)
    assert trip.places["clayton"].name == "Clayton, New Mexico"
    assert trip.places["clayton"].elevation_m == pytest.approx(5052 * 0.3048, rel=1e-12)
    assert trip.places["raton"].services == {"fuel", "lodging", "food"}
    assert trip.places["raton"].high_k == pytest.approx((88 - 32) / 1.8 + 273.15, rel=1e-12)
    assert trip.legs[0].distance_m == pytest.approx(14 * 1609.344, rel=1e-12)
    assert trip.legs[0].speed_m_per_s == pytest.approx(55 * 0.44704, rel=1e-12)
    assert trip.legs[0].profile.elevation_m[1] == pytest.approx(6600 * 0.3048, rel=1e-12)
    assert trip.legs[2].note == "wind"
    files = {str(path.relative_to(folder)): path.read_text("utf-8") for path in folder.rglob("*.*")}
    assert files == FILES  # as they were


def test_directed_legs(folder: Path) -> None:
    edit(folder, "legs.csv", "raton-pass,raton,8,55,I-25,yes,yes", "raton-pass,raton,8,55,I-25,yes,no")
    edit(folder, "trip.toml", "clayton", "raton-pass")
    directed = read_trip(folder).directed_legs()
    ends = [f"{leg.start} > {leg.finish}" for leg in directed]
    assert ends == ["trinidad > raton-pass", "raton-pass > trinidad", "raton > clayton"]
    up, down = directed[0].profile, directed[1].profile
    assert down.elevation_m == up.elevation_m[::-1]
    assert down.distance_m == pytest.approx([0.0, 7 * 1609.344, 14 * 1609.344])
    assert down.reverse() == up


def test_every_key_of_the_toml(folder: Path) -> None:
    (folder / "trip.toml").write_text(
        'name = "East"\nunits = "metric"\nroute = ["trinidad", "raton-pass", "raton", "clayton"]\n'
        'departure = 2027-07-06T07:00:00\nconfidence = 0.95\nthin = "9 degF"\nair_conditioning = false\n'
        'nights = ["raton"]\n[day]\ndriving = "6.5 h"\nstart = 07:30:00\nlodging_only = false\nbreak_every = "3 h"\n'
        'break = "0 min"\nbefore_sunset = "1 h"\nleast_rest = "9 h"\n'
        '[[halt]]\nplace = "raton-pass:1"\nduration = "20 min"\nengine = "idle"\n',
        encoding="utf-8",
    )
    trip = read_trip(folder)
    assert (trip.name, trip.units, trip.explicit, trip.nights) == ("East", "metric", True, ("raton",))
    assert (trip.confidence, trip.thin_band_k, trip.air_conditioning) == (0.95, 5.0, False)
    assert (trip.day.driving_s, trip.day.start, trip.day.lodging_only) == (23400.0, time(7, 30), False)
    assert (trip.day.break_every_s, trip.day.break_s, trip.day.before_sunset_s) == (10800.0, 0.0, 3600.0)
    assert trip.day.least_rest_s == 32400.0
    assert trip.halts[0].passing == 1
    assert (trip.halts[0].place, trip.halts[0].duration_s, trip.halts[0].engine_on) == ("raton-pass", 1200.0, True)
    assert trip.assumptions == ("2 of 3 legs have no profile; a constant grade between their places is assumed.",)


def test_defaults_are_told(folder: Path) -> None:
    edit(folder, "places.csv", "town", "")
    told = " ".join(read_trip(folder).assumptions)
    for word in ("profile", "kind", "onditioning", "8 h", "08:00", "0.90", "8 K", "lodging"):
        assert word in told
    assert "No place has 'high'" not in told


def test_a_trip_without_temperatures(folder: Path) -> None:
    keep_columns(folder, 7)
    trip = read_trip(folder)
    assert trip.places["raton"].high_k is None
    assert trip.assumptions[0].startswith("No place has 'high' and 'low'; usual values of nearby weather stations are")
    keep_columns(folder, 8)
    assert only_problem(folder).startswith("places.csv: the column 'high' needs the other one too; enter 'high' and")


def keep_columns(folder: Path, n: int) -> None:
    rows = [line.split(",") for line in PLACES.replace('"Clayton, New Mexico"', "Clayton").splitlines()]
    (folder / "places.csv").write_text("\n".join(",".join(cells[:n]) for cells in rows), encoding="utf-8")


# --- files ---


def test_missing_folder_and_files(folder: Path, tmp_path: Path) -> None:
    assert "does not exist; 'grademargin new DIR'" in only_problem(tmp_path / "none")
    assert "is a file, not a folder" in only_problem(folder / "trip.toml")
    shutil.rmtree(folder)
    folder.mkdir()
    problems = problems_of(folder)
    assert [text.split(":")[0] for text in problems] == ["legs.csv", "places.csv", "trip.toml"]
    assert all("'grademargin new DIR' creates a folder with one" in text for text in problems)


# --- one slip, one sentence ---

HALT = ':00"\n[[halt]]\n'
P, L, T, R = "places.csv", "legs.csv", "trip.toml", "profiles/raton.csv"
ENDS = 'start = "trinidad"\nfinish = "clayton"'
ALL = '["trinidad", "raton-pass", "raton", "clayton"]'
# File, what is replaced by what; where the problem is reported, its code, and the question or road named, if any.
SLIPS = [
    (P, "6680", "abc", "row 4, column 'elevation [ft]'", "not-a-number", ""),
    (P, "6680", "", "row 4, column 'elevation [ft]'", "missing-value", ""),
    (P, "6680", "25000", "row 4, column 'elevation [ft]'", "out-of-range", ""),
    (P, "36.90", "96.90", "row 4, column 'lat'", "out-of-range", ""),
    (P, "36.90,-104.44", "-104.44,36.90", "row 4, column 'lat'", "out-of-range", "are lat and lon swapped?"),
    (P, "-104.44", "104.44 N", "row 4, column 'lon'", "position", "are lat and lon swapped?"),
    (P, "-104.44", "-104.44 W", "row 4, column 'lon'", "position", ""),
    (P, "36.90", "36° 75'", "row 4, column 'lat'", "position", ""),
    (P, "-104.44", "-204.44", "row 4, column 'lon'", "out-of-range", ""),
    (L, "raton,clayton,83", "raton,clayton,43", "row 4, column 'distance [mi]'", "distance", ""),
    (P, "-104.44", "104.44", "row 3, column 'distance [mi]'", "distance", "has lon of 'raton' the wrong sign"),
    (P, "raton,Raton,", "trinidad,Raton,", "row 4, column 'place'", "duplicate", ""),
    (P, "pass,parking", "pas,parking", "row 3, column 'kind'", "unknown-word", "did you mean 'pass'?"),
    (P, "fuel lodging food", "fuel loding", "row 4, column 'services'", "unknown-word", ""),
    (P, "88,56", "88,", "row 4, column 'high [degF]'", "missing-value", ""),
    (P, "88,56", "56,88", "row 4, column 'low [degF]'", "order", "swap them?"),
    (P, "88,56", "188,56", "row 4, column 'high [degF]'", "out-of-range", ""),
    (P, "88,56", "31,13", "row 4, column 'high [degF]'", "temperature-unit", "is it in degC?"),
    (P, "elevation [ft]", "elevation", "row 1, column 'elevation'", "heading", ""),
    (L, "raton,8,55", "raton,0,55", "row 3, column 'distance [mi]'", "out-of-range", ""),
    (L, "raton,8,55", "raton,8,155", "row 3, column 'speed [mph]'", "out-of-range", "is it in km/h?"),
    (L, "raton,8,55", "raton,8,2", "row 3, column 'speed [mph]'", "out-of-range", ""),
    (L, "raton-pass,raton,8", "raton-pas,raton,8", "row 3, column 'from'", "unknown-place", "mean 'raton-pass'?"),
    (L, "I-25,yes,yes,,", "I-25,maybe,yes,,", "row 3, column 'two_way'", "unknown-word", ""),
    (L, "raton,clayton,83", "clayton,clayton,83", "row 4, column 'to'", "same-place", ""),
    (L, "raton,clayton,83,60,US 64,no,yes,,wind", "raton-pass,raton,9,50,I-25,no,yes,,", "row 4", "duplicate", ""),
    (L, "raton,clayton,83,60,US 64,no,yes,,wind", "raton,raton-pass,9,50,I-25,no,yes,,", "row 4", "duplicate", ""),
    (R, "0,6025", "0,6225", "legs.csv row 2, column 'profile'", "profile", ""),
    (R, "14,7834", "14,7634", "legs.csv row 2, column 'profile'", "profile", ""),
    (R, "14,7834", "15,7834", "legs.csv row 2, column 'profile'", "profile", ""),
    (R, "0,6025", "1,6025", "row 2, column 'distance [mi]'", "order", ""),
    (R, "7,6600", "17,6600", "row 4, column 'distance [mi]'", "order", ""),
    (R, "7,6600", "0.5,6600", "", "steep", ""),
    (R, "7,6600\n14,7834\n", "", "", "track", ""),
    (L, "profiles/raton.csv", "profiles/ratn.csv", "row 2, column 'profile'", "file-access", "'profiles/raton.csv'?"),
    (L, "profiles/raton.csv", "profiles/raton.txt", "row 2, column 'profile'", "file-access", ""),
    (R, "7,6600", "7,x", "row 3, column 'elevation [ft]'", "not-a-number", ""),
    (T, "departure", "depature", "key 'depature'", "unknown-key", "did you mean 'departure'?"),
    (T, '"2027-07-06 07:00"', '"2027-07-06"', "key 'departure'", "date", ""),
    (T, '"2027-07-06 07:00"', "2027-07-06T07:00:00Z", "key 'departure'", "date", ""),
    (T, '"2027-07-06 07:00"', '"6 July, early"', "key 'departure'", "date", ""),
    (T, '"2027-07-06 07:00"', '"3027-07-06 07:00"', "key 'departure'", "date", ""),
    (T, '"trinidad"', "", "row 2", "unreadable", ""),
    (T, 'start = "trinidad"', "", "key 'start'", "missing-key", ""),
    (T, '"clayton"', '"claton"', "key 'finish'", "unknown-place", "did you mean 'clayton'?"),
    (T, '"clayton"', '"trinidad"', "key 'start'", "same-place", ""),
    (T, "start", "via = [1]\nstart", "key 'via'", "invalid-value", ""),
    (T, "start", 'via = ["x"]\nstart', "key 'via'", "unknown-place", ""),
    (T, "start", 'nights = ["ratn"]\nstart', "key 'nights'", "unknown-place", "did you mean 'raton'?"),
    (T, "start", 'route = ["raton", "clayton"]\nstart', "key 'route'", "conflict", ""),
    (T, "start", "confidence = 1.0\nstart", "key 'confidence'", "out-of-range", ""),
    (T, "start", "confidence = true\nstart", "key 'confidence'", "out-of-range", ""),
    (T, "start", "confidence = nan\nstart", "key 'confidence'", "out-of-range", ""),
    (T, "start", "thin = 8\nstart", "key 'thin'", "invalid-value", ""),
    (T, "start", 'thin = "8 h"\nstart', "key 'thin'", "unit", ""),
    (T, "start", 'thin = "0 K"\nstart', "key 'thin'", "out-of-range", ""),
    (T, "start", 'units = "imperial"\nstart', "key 'units'", "unknown-word", ""),
    (T, "start", 'air_conditioning = "cold"\nstart', "key 'air_conditioning'", "invalid-value", ""),
    (T, "start", "air_conditioning = on\nstart", "row 2", "unreadable", ""),
    (T, "start", "units = US\nstart", "row 2", "unreadable", ""),
    (T, '"2027-07-06 07:00"', '"8/6/2027 7:00"', "key 'departure'", "date", ""),
    (
        T,
        '"2027-07-06 07:00"',
        '"2027-02-30 7:00"',
        "key 'departure'",
        "date",
        "February 2027 has 28 days; write 2027-02-28",
    ),
    (T, '"2027-07-06 07:00"', '"6/31/2027 7:00"', "key 'departure'", "date", "June 2027 has 30 days; write 2027-06-30"),
    (T, "start", 'name = "\\u001b[31m"\nstart', "key 'name'", "invalid-value", ""),
    (T, "start", "prefer = 5\nstart", "key 'prefer'", "invalid-value", ""),
    (T, "start", "prefer = {time = 0.0}\nstart", "key 'prefer'", "invalid-value", ""),
    (T, ':00"\n', ':00"\n[[morning]]\non = "2027-07-07"\n', "key 'morning 1 at'", "missing-key", ""),
    (T, ':00"\n', ':00"\n[[morning]]\nat = "07:00"\n', "key 'morning 1 on'", "missing-key", ""),
    (T, ':00"\n', ':00"\n[[service]]\nmonths = 6\n', "key 'service 1 item'", "missing-key", ""),
    (T, ':00"\n', ':00"\n[[service]]\nitem = "oil"\n', "key 'service 1 every'", "missing-key", ""),
    (T, ':00"\n', ':00"\n[[event]]\non = 2027-07-07\n', "key 'event 1 place'", "missing-key", ""),
    (T, ':00"\n', ':00"\n[[event]]\nplace = "raton"\non = 9999-07-07\n', "key 'event 1 on'", "date", ""),
    (L, "I-25,yes,yes,,", "I-25,yes,02-30..03-01,,", "row 3, column 'open'", "date", ""),
    (T, "start", "day = 8\nstart", "key 'day'", "invalid-value", ""),
    (T, "start", 'driving = "8 h"\nstart', "key 'driving'", "unknown-key", ""),
    (T, ':00"\n', ':00"\n[day]\ndriving = 8\n', "key 'day.driving'", "invalid-value", ""),
    (T, ':00"\n', ":00\"\n[day]\ndriving = '30 h'\n", "key 'day.driving'", "out-of-range", ""),
    (T, ':00"\n', ":00\"\n[day]\nstart = '25:00'\n", "key 'day.start'", "date", ""),
    (T, ':00"\n', ':00"\n[day]\nnights = []\n', "key 'day.nights'", "unknown-key", ""),
    (T, ':00"\n', ":00\"\n[halt]\nplace = 'raton'\n", "key 'halt'", "invalid-value", ""),
    (T, ':00"\n', ":00\"\n[[halt]]\nplace = 'raton'\n", "key 'halt 1 duration'", "missing-key", ""),
    (T, ':00"\n', f"{HALT}place='rat'\nduration='1 h'\n", "key 'halt 1 place'", "unknown-place", "'raton'?"),
    (T, ':00"\n', f"{HALT}place='raton'\nduration='1 h'\nengine='on'\n", "key 'halt 1 engine'", "unknown-word", ""),
    (T, '"2027-07-06 07:00"', "July 6 7am", "row 4", "unreadable", 'without quotation marks; write departure = "2027-'),
    (T, "start", 'via = ["raton"\n"raton-pass"]\nstart', "row 3", "unreadable", "list not closed: is a comma missing"),
    (T, "start", 'name = "abc\nstart', "row 2", "unreadable", "quotation mark at its end is missing"),
    (T, ENDS, 'route = ["trinidad", "raton", "clayton"]', "key 'route'", "no-leg", "from 'trinidad' go to raton-pass"),
    (T, ENDS, 'route = ["clayton", "raton"]', "key 'route'", "no-leg", "row 4, 'raton' to 'clayton', is one-way"),
    (T, ENDS, 'route = ["raton", "clayton"]\nnights = ["trinidad"]', "key 'nights'", "not-on-route", ""),
    (T, ENDS, f'route = {ALL}\nnights = ["raton", "raton-pass"]', "key 'nights'", "route-order", ""),
    (P, "7834", "2388", "row 3, column 'elevation'", "profile", "is it in metres under a heading in feet?"),
]

# The wording of each code, once: the first of the slips above with that code.
WORDING = [
    "places.csv row 4, column 'elevation [ft]': read 'abc'; write a number, e.g. 1250",
    "places.csv row 4, column 'elevation [ft]': the cell is empty; write e.g. 1250",
    "places.csv row 4, column 'elevation [ft]': read '25000'; allowed is -1,476 ft to 21,325 ft; check the number "
    "and the unit in the heading",
    "places.csv row 4, column 'lon': read '104.44 N'; N and S mark a latitude; are lat and lon swapped?",
    "places.csv row 4, column 'place': 'trinidad' is also in row 2; every place needs a unique key",
    "places.csv row 3, column 'kind': read 'pas'; did you mean 'pass'?",
    "places.csv row 4, column 'low [degF]': the low '88' is above the high '56'; swap them?",
    "places.csv row 4, column 'high [degF]': read 31 degF; the other places have about 90 degF; is it in degC?",
    "places.csv row 1, column 'elevation': the unit is missing; write 'elevation [ft]' or 'elevation [m]'",
    "legs.csv row 3, column 'from': read 'raton-pas', which is not in places.csv; did you mean 'raton-pass'?",
    "legs.csv row 4, column 'to': the leg starts and ends at 'clayton'; add a place in between",
    "legs.csv row 4, column 'distance [mi]': 'raton' to 'clayton' is 43 mi by road but 76.6 mi in a straight line; "
    "check the distance, its unit, and lat and lon of both places",
    "legs.csv row 2, column 'profile': 'profiles/raton.csv' begins at 6,225 ft but 'trinidad' is at 6,025 ft; the "
    "maximum difference is 98.4 ft; check both, and that the profile runs from 'from' to 'to'",
    "profiles/raton.csv: the road has 22% over 500 m or more, starting at 0 mi; the maximum is 20%; check the "
    "elevations there and the units in the heading",
    "profiles/raton.csv: has only one point; it needs at least the two ends of the leg",
    "legs.csv row 2, column 'profile': read 'profiles/ratn.csv'; no such file; did you mean 'profiles/raton.csv'?",
    "trip.toml key 'depature': unknown key; did you mean 'departure'?",
    "trip.toml key 'departure': read '2027-07-06'; the time of day is missing; write the local departure time, e.g. "
    "'2027-07-06 07:00'",
    "trip.toml row 2: cannot be read as TOML (Invalid value); write key = value, text in quotation marks",
    "trip.toml key 'start': is missing; name a place key from places.csv, or give every place in order as 'route'",
    'trip.toml key \'via\': read [1]; write a list of place keys, e.g. ["raton", "alamosa"]',
    "trip.toml key 'route': 'start' is also given; keep either 'route', or 'start', 'finish' and 'via'",
    "trip.toml key 'thin': '8 h' is not a temperature difference; write K, degC or degF, e.g. '5 K'",
    "trip.toml key 'nights': 'trinidad' is not on the route; add it to the route, or remove it here",
    "trip.toml key 'nights': the nights are not in route order; sort them",
]


# What owners write instead, and nothing else can be meant.
SAME = [
    (P, "-104.44", "104.44° W"),
    (P, "-104.44", "W 104 26 24"),
    (P, "36.90", '"36° 54\' 0"" N"'),
    (P, "36.90", "36.90 north"),
    (P, "6680", "6680 ft"),
    (P, "6680", '"6,680"'),
    (P, "elevation [ft]", "elevation (FT)"),
    (P, "88,56", "88 F,56°F"),
    (P, "high [degF]", "high [F]"),
    (P, "fuel lodging food", '"Gas, Motel, Restaurant"'),
    (P, "fuel lodging food", "gas station motel food"),
    (P, "raton,Raton,36.90,-104.44,6680,town", "raton,Raton,36.90,-104.44,6680,City"),
    (P, "raton-pass,Raton Pass", "Raton Pass,Raton Pass"),
    (L, "raton,clayton,83", "Raton,Clayton,83 miles"),
    (L, "raton,clayton,83", 'Raton,"Clayton, New Mexico",83'),
    (L, "speed [mph]", "speed [MPH]"),
    (L, "I-25,yes,yes,,", "I-25,Y,True,,"),
    (L, "I-25,yes,yes,,", "I-25,yes,on,,"),
    (T, '"clayton"', '"Clayton"'),
    (T, '"clayton"', '"Clayton, new mexico"'),
    (T, '"trinidad"', "“trinidad”"),
    (T, "start", 'units = "US"\nstart'),
    (T, "start", 'thin = "14.4 F"\nstart'),
    (T, "start", 'confidence = "90 %"\nstart'),
    (T, "start", 'air_conditioning = "on"\nstart'),
    (T, '"2027-07-06 07:00"', '"2027-7-6 7:00"'),
    (T, '"2027-07-06 07:00"', '"July 6, 2027, 7 am"'),
    (T, '"2027-07-06 07:00"', '"6.7.2027 7:00"'),
    (T, ':00"\n', ':00"\n[day]\nstart = "8:00"\ndriving = "8 hours"\n'),
]


@pytest.mark.parametrize(("file", "old", "new"), SAME)
def test_written_as_owners_do(folder: Path, file: str, old: str, new: str) -> None:
    before = _gist(folder)
    edit(folder, file, old, new)
    assert _gist(folder) == before


def _gist(folder: Path) -> list[object]:
    """Everything of a trip that the edits above touch, numbers rounded."""
    trip = read_trip(folder)
    said: list[object] = [trip.route, trip.departure, round(trip.thin_band_k, 6), trip.day, trip.units, trip.confidence]
    for place in trip.places.values():
        numbers = (place.lat_deg, place.lon_deg, place.elevation_m, place.high_k, place.low_k)
        said += [place.key, place.name, place.kind, place.services, *(round(n, 6) for n in numbers if n is not None)]
    for leg in trip.legs:
        said += [leg.start, leg.finish, round(leg.distance_m, 6), round(leg.speed_m_per_s, 6), leg.two_way, leg.open]
    return said


@pytest.mark.parametrize(("file", "old", "new", "where", "code", "question"), SLIPS)
def test_one_slip(folder: Path, file: str, old: str, new: str, where: str, code: str, question: str) -> None:
    edit(folder, file, old, new)
    with pytest.raises(TripError) as caught:
        read_trip(folder)
    found = caught.value.found
    assert any(p.where.endswith(where) and p.code == code and question in p.text for p in found), found
    assert len(found) == 1 or code in ("duplicate", "unknown-key", "heading", "temperature-unit", "distance"), found


CUT = "raton,8,55\n" + "".join(f"p{n},p{n + 1},10,50\n" for n in range(1, 6)) + "raton-pass,raton,8,"


@pytest.mark.parametrize(
    ("file", "old", "new", "where", "code", "hint"),
    [
        (T, ':00"\n', ':00"\n[[morning]]\non = 2027-07-07\nstart = "05:00"\n', 0, "unknown-key", "write at = '05:00'"),
        (
            L,
            "raton,8,",
            CUT,
            5,
            "unknown-place",
            "ends with 'clayton', and 6 places of legs.csv are missing, e.g. 'p1'; was it",
        ),
    ],
)
def test_one_cause_is_one_problem(
    folder: Path, file: str, old: str, new: str, where: int, code: str, hint: str
) -> None:
    edit(folder, file, old, new)
    with pytest.raises(TripError) as caught:
        read_trip(folder)
    found, *rest = caught.value.found
    assert not rest or (len(rest) == 1 and rest[0].code == "more"), rest
    assert (found.row, found.code) == (where, code), found
    assert hint in found.text


def test_the_wording_of_each_code(tmp_path: Path) -> None:
    said = set()
    for file, old, new, _, code, _ in {slip[4]: slip for slip in reversed(SLIPS)}.values():
        trip = make_folder(tmp_path / code)
        edit(trip, file, old, new)
        said |= set(problems_of(trip))
    assert said >= set(WORDING)


@pytest.mark.parametrize(
    ("example", "file", "pair", "column", "code", "words"),
    [
        ("wilmington-astoria", L, (2, 3), "distance [mi]", "distance", "are distance and speed swapped? 71 of 118"),
        ("alps", L, (2, 3), "distance [km]", "distance", "are distance and speed swapped? 12 of 19"),
        ("wilmington-astoria", P, (2, 3), "lat", "position", "are lat and lon swapped? 91 rows have a lat beyond 90"),
    ],
)
def test_two_exchanged_columns_are_one_cause(
    tmp_path: Path, example: str, file: str, pair: tuple[int, int], column: str, code: str, words: str
) -> None:
    folder = tmp_path / "trip"
    new_folder(folder, example)
    rows = list(csv.reader((folder / file).read_text(encoding="utf-8").splitlines()))
    a, b = pair
    for row in rows[1:]:
        row[a], row[b] = row[b], row[a]
    with (folder / file).open("w", encoding="utf-8", newline="") as out:
        csv.writer(out).writerows(rows)
    with pytest.raises(TripError) as caught:
        read_trip(folder)
    cause, rest = caught.value.found
    assert (cause.file, cause.column, cause.code, rest.code) == (file, column, code, "more")
    assert cause.text.startswith(words)


# --- slips that only neighbours show ---


@pytest.mark.parametrize(
    ("third", "legs", "swapped"), [(True, [2, 3], "'oberalp'"), (False, [2], "'andermatt' or 'oberalp'")]
)
def test_swapped_latitude_and_longitude(folder: Path, third: bool, legs: list[int], swapped: str) -> None:
    # Andermatt - Oberalp pass - Disentis: swapped, both numbers stay in range
    places = "andermatt,Andermatt,46.64,8.59,1437\noberalp,Oberalp,8.67,46.66,2044\n"
    ways = "from,to,distance [km],speed [km/h]\nandermatt,oberalp,11,50\n"
    if third:
        places, ways = places + "disentis,Disentis,46.71,8.86,1130\n", ways + "oberalp,disentis,21,50\n"
    (folder / P).write_text("place,name,lat,lon,elevation [m]\n" + places, encoding="utf-8")
    (folder / L).write_text(ways, encoding="utf-8")
    finish = "disentis" if third else "oberalp"
    (folder / T).write_text(TOML.replace("trinidad", "andermatt").replace("clayton", finish), encoding="utf-8")
    problems = problems_of(folder)
    assert [text.split(":")[0] for text in problems] == [f"legs.csv row {n}, column 'distance [km]'" for n in legs]
    assert all(text.endswith(f"are lat and lon of {swapped} swapped?") for text in problems)


@pytest.mark.parametrize(
    ("unit", "typed", "elevations"),
    [("ft", "metres", ("6025", "2388", "6680")), ("m", "feet", ("1436", "5000", "1440"))],
)
def test_elevation_typed_in_the_other_unit(folder: Path, unit: str, typed: str, elevations: tuple[str, ...]) -> None:
    edit(folder, P, "elevation [ft]", f"elevation [{unit}]")
    for old, new in zip(("6025", "7834", "6680", "5052"), (*elevations, elevations[2]), strict=True):
        edit(folder, P, old, new)
    for old, new in (("37.17", "37.00"), ("36.90", "36.98")):  # all within a mile or two
        edit(folder, P, old, new)
    edit(folder, L, "trinidad,raton-pass,14,55,I-25,yes,yes,profiles/raton.csv", "trinidad,raton-pass,2.5,55,,,,")
    edit(folder, L, "raton-pass,raton,8", "raton-pass,raton,3")
    problems = problems_of(folder)
    assert [text.split(":")[0] for text in problems] == ["legs.csv row 2", "legs.csv row 3"]
    hint = f"was the elevation of 'raton-pass' typed in {typed} (places.csv row 3)?"
    assert all(text.endswith(hint) for text in problems)


def test_a_whole_column_of_celsius_under_fahrenheit(folder: Path) -> None:
    for old, new in (("90,57", "32,14"), ("82,52", "28,11"), ("88,56", "31,13"), ("93,62", "34,17")):
        edit(folder, P, old, new)
    assert "half of the highs are below 50 degF in summer; are they in degC?" in only_problem(folder)
    edit(folder, T, "2027-07-06", "2027-01-06")
    assert read_trip(folder).places["raton"].high_k == pytest.approx(272.594, abs=1e-3)  # a real winter is allowed


# --- where the drive goes ---


def test_an_island_names_the_missing_link(folder: Path) -> None:
    edit(folder, L, "raton-pass,raton,8,55,I-25,yes,yes", "raton-pass,raton,8,55,I-25,yes,no")
    assert "the leg of legs.csv row 3, 'raton-pass' to 'raton', is closed" in only_problem(folder)
    edit(folder, L, "raton-pass,raton,8,55,I-25,yes,no,,\n", "")
    assert "'raton-pass' and 'raton', 6.8 mi apart: add a leg from 'raton-pass' to 'raton'" in only_problem(folder)


def test_a_loop_by_way_of_a_place(folder: Path) -> None:
    (folder / T).write_text(TOML.replace("clayton", "trinidad") + 'via = ["raton"]\n', encoding="utf-8")
    assert read_trip(folder).route == ("trinidad", "raton", "trinidad")


# --- profiles ---


def test_a_profile_a_little_off_is_scaled(folder: Path) -> None:
    edit(folder, R, "14,7834", "14.5,7834")
    profile = read_trip(folder).legs[0].profile
    assert profile.distance_m[-1] == 14 * 1609.344
    assert profile.distance_m[1] == pytest.approx(7 * 1609.344 * 14 / 14.5, rel=1e-12)


@pytest.mark.parametrize(
    ("said", "daylight", "told"),
    [
        ("", True, False),
        ("[day]\nstart = '19:00'\n", False, True),
        ("[day]\nstart = 19:00:00\ndaylight = true\n", True, False),
        ("[day]\nstart = '15:30'\n", True, False),
    ],
)
def test_daylight_does_not_bind_evening_starts_unless_asked(folder: Path, said: str, daylight: bool, told: bool):
    (folder / T).write_text(TOML + said, encoding="utf-8")
    trip = read_trip(folder)
    assert trip.day.daylight is daylight
    assert any("days may end after dark" in line for line in trip.assumptions) is told


def test_every_code_is_documented() -> None:
    root = Path(__file__).parents[3]
    code = "".join(path.read_text("utf-8") for path in (root / "planner").rglob("*.py"))
    table = (root / "docs" / "formats.md").read_text("utf-8").partition("| code | problem |")[2]
    used = {*re.findall(r'code="([a-z-]+)"', code), *(slip[4] for slip in SLIPS)}
    assert used <= set(re.findall(r"`([a-z-]+)`", table))
