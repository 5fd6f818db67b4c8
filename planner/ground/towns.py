"""Towns by position and by name: 193,000 with 500 or more people, from the GeoNames extracts."""

import difflib
import functools
import re
import unicodedata
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planner.ground.packed import Lines, Unpacker, damaged
from planner.model.paths import data_folder

Floats = NDArray[np.float64]
CREDIT = "Towns: GeoNames, CC BY 4.0"
_EARTH_KM = 6371.0088  # mean radius, IUGG 1980
_LONGEST_COMPARED = 60  # letters of a name
_MARKS = re.compile("[\u0300-\u036f'’‘.]")
_SPACES = re.compile(r"(?:[^\w\n]|_)+")
_SHORT = {"saint": "st", "sainte": "ste", "mount": "mt", "fort": "ft"}
_LONG = re.compile(rf"\b(?:{'|'.join(_SHORT)})\b")


@dataclass(frozen=True, slots=True, kw_only=True)
class Town:
    """A town with its state or country and approximate population."""

    name: str
    region: str
    lat_deg: float
    lon_deg: float
    elevation_m: float
    people: float

    @property
    def full_name(self) -> str:
        """Name and region, `Raton, NM`."""
        return f"{self.name}, {self.region}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Towns:
    """The table; arrays over towns, sorted in bands of two degrees of latitude, west to east in each."""

    names: Lines
    lat_deg: Floats
    lon_deg: Floats
    elevation_m: Floats
    people: Floats
    region: NDArray[np.uint16]
    regions: tuple[str, ...]
    countries: dict[str, str]

    def town(self, number: int) -> Town:
        """One town by its number."""
        return Town(
            name=self.names[number],
            region=self.region_name(number),
            lat_deg=float(self.lat_deg[number]),
            lon_deg=float(self.lon_deg[number]),
            elevation_m=float(self.elevation_m[number]),
            people=float(self.people[number]),
        )

    def region_name(self, number: int) -> str:
        """State or province of the United States or Canada by its letters, else the country's name."""
        country, _, state = self.regions[self.region[number]].partition(" ")
        return state or self.countries[country]


@functools.cache
def table() -> Towns:
    """Read the shipped table, once."""
    path = data_folder() / "towns" / "towns.bin"
    packed = Unpacker(path)
    head: dict[str, Any] = packed.head()
    try:
        count = int(head["towns"])
        regions, countries = tuple(map(str, head["regions"])), {str(k): str(v) for k, v in head["countries"].items()}
    except (KeyError, ValueError, TypeError, AttributeError) as exc:
        raise damaged(path, "bad first line") from exc
    lat, lon, height = (packed.summed(count) for _ in range(3))
    people, region = packed.numbers("u1", count), packed.numbers("<u2", count)
    if count == 0 or int(region.max()) >= len(regions) or any(r[:2] not in countries for r in regions):
        raise damaged(path, "bad regions")
    return Towns(
        names=packed.lines(count),
        lat_deg=np.asarray(lat * 1e-3, dtype=np.float64),
        lon_deg=np.asarray(lon * 1e-3, dtype=np.float64),
        elevation_m=height.astype(np.float64),
        people=np.exp2(people / 8.0),
        region=region,
        regions=regions,
        countries=countries,
    )


def towns_in(*, south_deg: float, north_deg: float, west_deg: float, east_deg: float) -> NDArray[np.intp]:
    """Numbers of the towns in a box."""
    towns = table()
    east_of_west = (towns.lon_deg - west_deg) % 360.0
    inside = east_of_west <= (east_deg - west_deg) % 360.0
    return np.flatnonzero(inside & (towns.lat_deg >= south_deg) & (towns.lat_deg <= north_deg))


def towns_near(lat_deg: float, lon_deg: float, *, within_m: float) -> list[tuple[float, Town]]:
    """Towns around a point, each with its distance. [m].

    >>> [town.full_name for _, town in towns_near(36.90, -104.44, within_m=5000.0)]
    ['Raton, NM']
    """
    reach_deg = float(np.degrees(within_m / 1e3 / _EARTH_KM))
    wide_deg = min(180.0, reach_deg / max(float(np.cos(np.radians(min(abs(lat_deg) + reach_deg, 90.0)))), 1e-3))
    found = towns_in(
        south_deg=lat_deg - reach_deg,
        north_deg=lat_deg + reach_deg,
        west_deg=lon_deg - wide_deg,
        east_deg=lon_deg + wide_deg,
    )
    towns = table()
    apart_m = apart_km(lat_deg, lon_deg, towns.lat_deg[found], towns.lon_deg[found]) * 1e3
    order = np.argsort(apart_m, kind="stable")
    return [(float(apart_m[n]), towns.town(int(found[n]))) for n in order if apart_m[n] <= within_m]


def apart_km(lat_deg: float | Floats, lon_deg: float | Floats, lats_deg: Floats, lons_deg: Floats) -> Floats:
    """Great-circle distances on a sphere."""
    lat, lats = np.radians(lat_deg), np.radians(lats_deg)
    across = np.cos(lat) * np.cos(lats) * np.sin(np.radians(lons_deg - lon_deg) / 2.0) ** 2
    half = np.clip(np.sin((lats - lat) / 2.0) ** 2 + across, 0.0, 1.0)
    return np.asarray(2.0 * _EARTH_KM * np.arcsin(np.sqrt(half)))


def plain(name: str) -> str:
    """Normalise the spelling of a name.

    >>> plain("St. Moritz") == plain("Saint-Moritz"), plain("Zürich")
    (True, 'zurich')
    """
    return _folded(name.replace("\n", " ")).strip()


def _folded(lines: str) -> str:
    """Normalise a text with one name per line."""
    letters = _MARKS.sub("", unicodedata.normalize("NFKD", lines.casefold()))
    spaced = _SPACES.sub(" ", letters).replace(" \n", "\n").replace("\n ", "\n")
    return _LONG.sub(lambda word: _SHORT[word[0]], spaced)


@functools.cache
def _by_name() -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    for number, name in enumerate(_folded(table().names.text()).split("\n")):
        found.setdefault(name, []).append(number)
    return found


def towns_named(name: str) -> list[Town]:
    """Towns by name, optionally followed by a comma and state, province or country.

    >>> [town.full_name for town in towns_named("Raton, New Mexico") + towns_named("Raton (NM)")]
    ['Raton, NM', 'Raton, NM']
    """
    town, region = _parted(name)
    numbers = _by_name().get(plain(town), [])
    if region.strip():
        wanted = plain(region)
        numbers = [n for n in numbers if wanted in _region_words(n)]
    found = [table().town(n) for n in numbers]
    return sorted(found, key=lambda one: -one.people)


def _parted(name: str) -> tuple[str, str]:
    """Town and region of `Raton, NM` or `Raton (NM)`."""
    town, _, region = name.rstrip(" )").replace("(", ",").partition(",")
    return town, region


def towns_spelled_like(name: str, *, most: int = 3) -> list[Town]:
    """Towns whose names are nearly a name that is in no table; in its region where it gives one.

    >>> [town.full_name for town in towns_spelled_like("Kingmann, AZ") + towns_spelled_like("Raton NM")]
    ['Kingman, AZ', 'Raton, NM']
    """
    town, region = _parted(name)
    without_comma = [] if region else towns_named(", ".join(town.rsplit(maxsplit=1)))
    if without_comma:
        return without_comma[:most]
    wanted, where = plain(town), plain(region)
    if not 4 <= len(wanted) <= _LONGEST_COMPARED:
        return []
    names = [one for one in _by_name() if one[:1] == wanted[:1] and abs(len(one) - len(wanted)) <= 2]
    found: list[Town] = []
    for close in difflib.get_close_matches(wanted, names, n=5 * most, cutoff=0.8):
        numbers = [n for n in _by_name()[close] if not where or where in _region_words(n)]
        found += sorted((table().town(n) for n in numbers), key=lambda one: -one.people)
    return found[:most]


def _region_words(number: int) -> tuple[str, ...]:
    towns = table()
    code = towns.regions[towns.region[number]]
    country, _, state = code.partition(" ")
    letters = "" if any(f"{nation} {country}" in STATES for nation in ("US", "CA")) else country
    words = [letters, towns.countries[country], state, STATES.get(code, "")]
    return tuple(plain(word) for word in words if word)


# Letters of the US and Canadian posts.
STATES = {
    f"{country} {pair.split('=')[0]}": pair.split("=")[1]
    for country, text in (
        (
            "US",
            "AL=Alabama;AK=Alaska;AZ=Arizona;AR=Arkansas;CA=California;CO=Colorado;CT=Connecticut;DE=Delaware;"
            "DC=District of Columbia;FL=Florida;GA=Georgia;HI=Hawaii;ID=Idaho;IL=Illinois;IN=Indiana;IA=Iowa;KS=Kansas;"
            "KY=Kentucky;LA=Louisiana;ME=Maine;MD=Maryland;MA=Massachusetts;MI=Michigan;MN=Minnesota;MS=Mississippi;"
            "MO=Missouri;MT=Montana;NE=Nebraska;NV=Nevada;NH=New Hampshire;NJ=New Jersey;NM=New Mexico;NY=New York;"
            "NC=North Carolina;ND=North Dakota;OH=Ohio;OK=Oklahoma;OR=Oregon;PA=Pennsylvania;RI=Rhode Island;"
            "SC=South Carolina;SD=South Dakota;TN=Tennessee;TX=Texas;UT=Utah;VT=Vermont;VA=Virginia;WA=Washington;"
            "WV=West Virginia;WI=Wisconsin;WY=Wyoming",
        ),
        (
            "CA",
            "AB=Alberta;BC=British Columbia;MB=Manitoba;NB=New Brunswick;NL=Newfoundland and Labrador;NS=Nova Scotia;"
            "ON=Ontario;PE=Prince Edward Island;QC=Quebec;SK=Saskatchewan;YT=Yukon;NT=Northwest Territories;NU=Nunavut",
        ),
    )
    for pair in text.split(";")
}
