"""Makes this folder's trip: a loop of exactly 6,500 miles for timings. Same numbers every time.

Everything is invented: places, roads, heights and temperatures. Only the ground under it is real, the western half of
North America, so that time zones and the sun are those of such a drive. Run `python make.py` to write the files anew.
"""

import csv
import math
import random
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from geographiclib.geodesic import Geodesic

HERE = Path(__file__).resolve().parent
SEED = 6500
MILES = 6500.0
N_PLACE = 120
PASS_EVERY = 4  # every fourth place is a pass, its neighbours lie at the foot of it
MILE_M = 1609.344
FOOT_M = 0.3048
# Corners of the loop, latitude and longitude, driven clockwise from the southern Rockies' eastern edge.
CORNERS = (
    (38.4, -104.9),
    (35.3, -106.2),
    (32.5, -107.6),
    (32.4, -111.2),
    (33.4, -115.0),
    (34.9, -118.2),
    (37.3, -119.9),
    (40.3, -121.9),
    (43.6, -121.6),
    (46.2, -121.2),
    (48.4, -120.2),
    (51.0, -121.5),
    (53.8, -122.6),
    (55.6, -120.6),
    (54.8, -117.6),
    (52.6, -114.6),
    (50.3, -113.6),
    (47.6, -111.3),
    (46.4, -107.2),
    (46.8, -102.2),
    (43.9, -100.4),
    (41.1, -101.3),
    (38.7, -102.0),
)
FIRST = "Alder Badger Cedar Drum Ember Flint Granite Hollow Iron Juniper Kettle Larch Marten Needle Otter".split()
SECOND = "Bend Creek Flat Forks Landing Spring Station Well".split()


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """One place of the loop."""

    key: str
    name: str
    lat: float
    lon: float
    feet: int
    is_pass: bool


def along_loop() -> list[tuple[float, float]]:
    """Points at equal distances along the loop, to 4 decimals."""
    lines = [Geodesic.WGS84.InverseLine(*a, *b) for a, b in zip(CORNERS, CORNERS[1:] + CORNERS[:1], strict=True)]
    total_m = sum(line.s13 for line in lines)
    points = []
    for i in range(N_PLACE):
        left_m, k = i * total_m / N_PLACE, 0
        while left_m > lines[k].s13:
            left_m, k = left_m - lines[k].s13, k + 1
        found = lines[k].Position(left_m)
        points.append((round(found["lat2"], 4), round(found["lon2"], 4)))
    return points


def ground_feet(lat: float, lon: float) -> float:
    """Height of the invented country: a broad swell, higher to the south-east, with valleys across it."""
    swell = 3000.0 + 1500.0 * math.cos(math.radians(4.0 * (lon + 106.0))) - 60.0 * (lat - 40.0)
    return max(swell + 900.0 * math.sin(math.radians(37.0 * lat)) + 500.0 * math.cos(math.radians(53.0 * lon)), 150.0)


def make_stops(dice: random.Random) -> list[Stop]:
    """Places in driving order; a pass stands 1,600 to 3,800 ft above the higher of its neighbours."""
    points = along_loop()
    feet = [round(ground_feet(*point) / 10.0) * 10 for point in points]
    names = [f"{first} {second}" for second in SECOND for first in FIRST]
    dice.shuffle(names)
    stops = []
    for i, (lat, lon) in enumerate(points):
        is_pass = i % PASS_EVERY == 2
        height = feet[i]
        if is_pass:
            height = max(feet[i - 1], feet[(i + 1) % N_PLACE]) + round(dice.uniform(160.0, 380.0)) * 10
        name = f"{names[i].split()[0]} Pass {i // PASS_EVERY + 1}" if is_pass else names[i]
        stops.append(
            Stop(
                key=f"p{i:03d}-{name.lower().replace(' ', '-')}",
                name=name,
                lat=lat,
                lon=lon,
                feet=height,
                is_pass=is_pass,
            )
        )
    return stops


def make_miles(stops: Sequence[Stop], dice: random.Random) -> list[float]:
    """Length of every leg in quarter miles; they add up to the whole, and none is shorter than the great circle."""
    straight = [
        Geodesic.WGS84.Inverse(a.lat, a.lon, b.lat, b.lon)["s12"] / MILE_M
        for a, b in zip(stops, [*stops[1:], stops[0]], strict=True)
    ]
    winding = [dice.uniform(1.05, 1.35) for _ in straight]
    share = sum(s * w for s, w in zip(straight, winding, strict=True)) / MILES
    quarters = [round(4.0 * s * w / share) for s, w in zip(straight, winding, strict=True)]
    quarters[0] += round(4.0 * MILES) - sum(quarters)
    return [q / 4.0 for q in quarters]


def make_profile(low_feet: int, high_feet: int, miles: float, dice: random.Random) -> list[tuple[float, int]]:
    """Points from the foot to the top: rolling, then a grade of 4.5 to 6.5 % with ramps steeper and flatter."""
    grade = dice.uniform(0.045, 0.065)
    climb = (high_feet - low_feet) / (grade * MILE_M / FOOT_M)
    foot = miles - climb
    rolling = [(round(foot * i / 12.0, 2), low_feet + 30 * dice.randint(-3, 3)) for i in range(1, 12)]
    n = max(3, round(climb / 1.5))
    ramps = [dice.uniform(0.85, 1.15) for _ in range(n)]
    points = [(0.0, low_feet), *rolling, (round(foot, 2), low_feet)]
    done = 0.0
    for i, ramp in enumerate(ramps, start=1):
        done += ramp / sum(ramps)
        points.append((round(foot + climb * i / n, 2), round(low_feet + (high_feet - low_feet) * done)))
    return [*points[:-1], (miles, high_feet)]


def profile_of(a: Stop, b: Stop, miles: float, dice: random.Random) -> list[tuple[float, int]]:
    """Profile of a leg up to a pass or down from one."""
    if b.is_pass:
        return make_profile(a.feet, b.feet, miles, dice)
    up = make_profile(b.feet, a.feet, miles, dice)
    return [(round(miles - at, 2), feet) for at, feet in reversed(up)]


def place_rows(stops: Sequence[Stop], dice: random.Random) -> Iterator[list[object]]:
    """Rows of places.csv; highs and lows of a hot July at the towns, none at the passes."""
    for stop in stops:
        high = round(106.0 - 1.0 * (stop.lat - 32.0) - 3.2 * stop.feet / 1000.0 + dice.uniform(-3.0, 3.0))
        low = high - round(dice.uniform(22.0, 34.0))
        kind, services = ("pass", "parking") if stop.is_pass else ("town", "fuel lodging food parking water")
        weather = ("", "") if stop.is_pass else (high, low)
        yield [
            stop.key,
            stop.name,
            f"{stop.lat:.4f}",
            f"{stop.lon:.4f}",
            stop.feet,
            kind,
            services,
            *weather,
            "invented",
        ]


def write(name: str, headings: str, rows: Iterable[Sequence[object]]) -> None:
    """Write one CSV."""
    path = HERE / name
    path.parent.mkdir(exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as file:
        sheet = csv.writer(file, lineterminator="\n")
        sheet.writerow(headings.split(","))
        sheet.writerows(rows)


def trip_text(stops: Sequence[Stop]) -> str:
    """Text of trip.toml."""
    route = "\n".join(f'    "{stop.key}",' for stop in [*stops, stops[0]])
    return f"""# An invented loop of 6,500 miles, for timings: no such places or roads. Written by make.py; edit that.
name = "Benchmark loop, invented"
units = "us"
route = [
{route}
]
departure = "2027-07-06 07:00"
confidence = 0.90
thin = "8 K"
air_conditioning = true

[day]
driving = "8 h"
start = "08:00"
lodging_only = true
"""


VEHICLE = """# The benchmark's car: the class with a loaded cargo trailer. Invented. Written by make.py; edit that.
base = "estate-1990s-six"
name = "1990s six-cylinder estate with a cargo trailer"

[trailer]
mass = {value = "1100 lb", source = "ASSUMED: invented, a light trailer loaded, 800-1500 lb"}
drag_area = {value = "0.55 m**2", source = "ASSUMED: box of 1.2 m x 1.1 m, half of it in the car's wake; 0.3-0.9"}
rolling_coefficient = {value = 0.014, source = "ASSUMED: 12-inch tyres, 0.012-0.016"}
"""


def main() -> None:
    """Write the whole folder."""
    dice = random.Random(SEED)  # the stream of random() is the same in every Python since 3.2
    stops = make_stops(dice)
    miles = make_miles(stops, dice)
    legs: list[list[object]] = []
    for a, b, length in zip(stops, [*stops[1:], stops[0]], miles, strict=True):
        profile = ""
        if a.is_pass or b.is_pass:
            profile = f"profiles/{(b if b.is_pass else a).key}-{'up' if b.is_pass else 'down'}.csv"
            write(profile, "distance [mi],elevation [ft]", profile_of(a, b, length, dice))
        speed = dice.choice((50, 55)) if profile else dice.choice((55, 60, 65, 65))
        legs.append([a.key, b.key, length, speed, "", "yes", profile, "invented"])
    write(
        "places.csv",
        "place,name,lat,lon,elevation [ft],kind,services,high [degF],low [degF],note",
        place_rows(stops, dice),
    )
    write("legs.csv", "from,to,distance [mi],speed [mph],road,two_way,profile,note", legs)
    (HERE / "trip.toml").write_text(trip_text(stops), encoding="utf-8")
    (HERE / "vehicle.toml").write_text(VEHICLE, encoding="utf-8")


if __name__ == "__main__":
    main()
