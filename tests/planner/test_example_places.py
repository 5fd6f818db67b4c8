"""Heights, distances and grades of the example trips against what others have published.

The tables are read here with the csv module alone, so these checks stand whatever the trip reader does.
"""

from __future__ import annotations

import csv
import re
from itertools import pairwise
from pathlib import Path

import airportsdata
import pytest
from geographiclib.geodesic import Geodesic

EXAMPLES = Path(__file__).parents[2] / "data" / "examples"
TRIPS = ("wilmington-astoria", "alps", "minimal")
METRE = {"mi": 1609.344, "km": 1000.0, "ft": 0.3048, "m": 1.0}

FIELD_RADIUS_M = 8000.0
FIELD_TOLERANCE_M = 60.0
# Places whose nearest public airfield truly lies higher or lower than the town; each must stay beyond the tolerance.
FIELD_EXCEPTIONS = {
    "la-veta-jct": "airfield on a bench 6 km up the valley, by La Veta",
    "pagosa-springs-co": "airfield on the mesa north-west of the river town",
    "grand-junction-co": "airfield on the bench below the Book Cliffs, town by the river",
    "cortez-co": "airfield on lower ground south-west of town",
    "telluride-jct": "airfield on the mesa above the San Miguel valley",
    "price-ut": "airfield on the bench east of town",
    "pendleton-or": "airfield on the plateau, town in the valley of the Umatilla",
    "arlington-or": "airfield on the plateau, town by the Columbia",
    "hood-river-or": "airfield up the valley, town by the Columbia",
    "airolo": "airfield on the valley floor 6 km below the town",
}

# place: (published height, unit, tolerance in m, where it was read). "excerpt": read as a search excerpt, not the page.
# 10 m: sign, survey and mapping heights of one pass differ by as much; the higher tolerances say why.
PASS_HEIGHTS = {
    "newfound-gap": (5048, "ft", 10, "kids.kiddle.co/Newfound_Gap, excerpt; heysmokies.com has 5,046"),
    "raton-pass": (7834, "ft", 10, "codot.gov, secondary; piglix.com/piglix/Raton_Pass, excerpt"),
    "la-veta-pass": (9413, "ft", 10, "from memory"),
    "wolf-creek-pass": (10850, "ft", 10, "Colorado pass table crediting the state DOT, excerpt; newer copy 10,857"),
    "coal-bank-pass": (10640, "ft", 10, "en.wikipedia.org List_of_mountain_passes_in_Colorado, excerpt"),
    "molas-pass": (10910, "ft", 10, "en.wikipedia.org List_of_mountain_passes_in_Colorado, excerpt"),
    "red-mountain-pass": (11018, "ft", 10, "en.wikipedia.org List_of_mountain_passes_in_Colorado, excerpt"),
    "lizard-head-pass": (10246, "ft", 10, "kids.kiddle.co/Lizard_Head_Pass, excerpt; road sign 10,222 from memory"),
    "dallas-divide": (8970, "ft", 10, "from memory"),
    "soldier-summit": (7477, "ft", 10, "wikimili.com/en/Soldier_Summit,_Utah, excerpt"),
    "salt-river-pass": (7630, "ft", 10, "from memory"),
    "teton-pass": (8431, "ft", 10, "liquisearch.com/teton_pass, excerpt"),
    "pine-creek-pass": (6764, "ft", 10, "from memory"),
    "blue-mountain-summit": (4193, "ft", 10, "quoted at poletoparis.com/?p=114239, excerpt"),
    "deadman-pass": (3622, "ft", 10, "dangerousroads.org/north-america/usa/4792-deadman-pass.html, excerpt"),
    "sunset-tunnel": (1200, "ft", 30, "copy of the encyclopaedia's tunnel page, excerpt; given to the hundred feet"),
    "balsam-gap": (3370, "ft", 15, "from memory; parkway milepost tables say 3,315, the highway 3,370"),
    "furkapass": (2427, "m", 10, "wikimili.com/en/List_of_highest_road_passes_in_Switzerland, excerpt"),
    "nufenenpass": (2478, "m", 10, "wikimili.com/en/List_of_highest_road_passes_in_Switzerland, excerpt"),
    "fluelapass": (2383, "m", 10, "wikimili.com/en/List_of_highest_road_passes_in_Switzerland, excerpt"),
    "umbrailpass": (2501, "m", 10, "wikimili.com/en/List_of_highest_road_passes_in_Switzerland, excerpt"),
    "stelvio": (2757, "m", 10, "passknacker.ch/paesse_details.php?pass=285, excerpt"),
    "gotthardpass": (2106, "m", 10, "blick.ch, excerpt"),
    "oberalppass": (2044, "m", 10, "from memory"),
    "ofenpass": (2149, "m", 10, "from memory"),
}

# Roads that wind so much that they exceed 1.6 times the great circle; hairpins, gorges and ways round a range.
WINDING = {
    ("balsam-gap", "cherokee-nc"),
    ("oconaluftee", "newfound-gap"),
    ("newfound-gap", "sugarlands"),
    ("wolf-creek-pass", "treasure-falls"),
    ("cisco-jct", "moab-ut"),
    ("brigham-city-ut", "sardine-summit"),
    ("ulrichen", "furkapass"),
    ("ulrichen", "nufenenpass"),
    ("airolo", "gotthardpass"),
    ("andermatt", "oberalppass"),
    ("chur", "davos"),
    ("santa-maria", "umbrailpass"),
    ("prad", "stelvio"),
    ("umbrailpass", "bormio"),
}

# profile: (steepest stated grade in %, where). The Colorado table credits the state DOT for grades.
STATED_GRADE = {
    "saluda-grade": (6.0, "nc4x4.com thread on grades, excerpt"),
    "balsam-gap-east": (6.0, "from memory"),
    "balsam-gap-west": (6.0, "from memory"),
    "newfound-gap-south": (6.0, "from memory"),
    "newfound-gap-north": (7.0, "from memory"),
    "pigeon-gorge-east": (4.0, "from memory"),
    "pigeon-gorge-west": (4.0, "from memory"),
    "raton-pass-south": (6.0, "dangerousroads.org Raton Pass, excerpt"),
    "raton-pass-north": (6.0, "dangerousroads.org Raton Pass, excerpt"),
    "la-veta-pass-east": (6.0, "from memory"),
    "la-veta-pass-west": (6.0, "from memory"),
    "wolf-creek-pass-east": (6.5, "Colorado pass table, excerpt; a newer copy has 6.8"),
    "wolf-creek-pass-west": (6.5, "Colorado pass table, excerpt; a newer copy has 6.8"),
    "durango-purgatory": (6.0, "from memory"),
    "coal-bank-pass-south": (6.5, "Colorado pass table, excerpt"),
    "molas-pass-south": (7.0, "Colorado pass table, excerpt"),
    "molas-pass-north": (7.0, "Colorado pass table, excerpt"),
    "red-mountain-pass-south": (7.2, "Colorado pass table, excerpt"),
    "red-mountain-pass-north": (7.2, "Colorado pass table, excerpt; another page says 8"),
    "lizard-head-pass-south": (6.0, "from memory"),
    "lizard-head-pass-north": (6.0, "from memory"),
    "dallas-divide-west": (6.0, "from memory"),
    "dallas-divide-east": (6.0, "from memory"),
    "soldier-summit-east": (6.0, "from memory; dangerousroads.org has 5, excerpt"),
    "soldier-summit-west": (6.0, "from memory; dangerousroads.org has 5, excerpt"),
    "sardine-canyon-west": (6.0, "from memory"),
    "sardine-canyon-east": (6.0, "from memory"),
    "bear-lake-west": (7.0, "from memory"),
    "bear-lake-east": (7.0, "from memory"),
    "salt-river-pass-south": (6.0, "from memory"),
    "salt-river-pass-north": (6.0, "from memory"),
    "teton-pass-east": (10.0, "liquisearch.com/teton_pass, excerpt"),
    "teton-pass-west": (10.0, "liquisearch.com/teton_pass, excerpt"),
    "pine-creek-pass-east": (6.0, "from memory"),
    "pine-creek-pass-west": (6.0, "from memory"),
    "ladd-canyon-south": (6.0, "from memory"),
    "ladd-canyon-north": (6.0, "from memory"),
    "blue-mountain-east": (6.0, "from memory"),
    "blue-mountain-west": (6.0, "from memory"),
    "deadman-pass-east": (6.0, "from memory"),
    "deadman-pass-west": (6.0, "state DOT brochure quoted at salenalettera.com, excerpt"),
    "clatsop-crest": (6.0, "from memory"),
    "coast-range-east": (6.0, "from memory"),
    "coast-range-west": (6.0, "from memory"),
    "furka-west": (11.0, "from memory; cruisebrothers.jimdo.com has 15 for this side, excerpt"),
    "furka-east": (11.0, "cruisebrothers.jimdo.com, excerpt"),
    "nufenen-west": (10.0, "moto.pl, excerpt: just over 10 in places"),
    "nufenen-east": (10.0, "moto.pl, excerpt: just over 10 in places"),
    "gotthard-south": (9.0, "from memory"),
    "gotthard-north": (9.0, "from memory"),
    "oberalp-west": (10.0, "from memory"),
    "oberalp-east": (10.0, "from memory"),
    "fluela-west": (10.0, "blick.ch, excerpt"),
    "fluela-east": (10.0, "blick.ch, excerpt"),
    "ofen-west": (10.0, "from memory"),
    "ofen-east": (10.0, "from memory"),
    "umbrail-north": (11.5, "kurvenkoenig.de/paesse/umbrailpass.html, excerpt"),
    "stelvio-east": (13.5, "cabrio-aktiv.com, excerpt"),
    "stelvio-umbrail": (13.5, "as stelvio-east"),
    "stelvio-west": (13.5, "cabrio-aktiv.com, excerpt"),
}
GRADE_SLACK_PERCENT = 0.3

# Roads to a pass that are higher before they reach it.
HIGHER_ON_THE_WAY = {
    "deadman-pass-east": "rolls along the crest of the Blue Mountains before Deadman Pass",
}

NAMED_PASSES = set(
    "newfound-gap raton-pass la-veta-pass wolf-creek-pass coal-bank-pass molas-pass red-mountain-pass "
    "lizard-head-pass soldier-summit teton-pass deadman-pass".split()
)


def read_table(path: Path) -> list[dict[str, str]]:
    """Rows by heading without its unit; lengths come back in metres, as text."""
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    out = []
    for row in rows:
        plain = {}
        for heading, cell in row.items():
            name, _, rest = heading.partition(" [")
            unit = rest.rstrip("]")
            plain[name] = repr(float(cell) * METRE[unit]) if unit in METRE else cell
        out.append(plain)
    return out


def places_of(trip: str) -> dict[str, dict[str, str]]:
    rows = read_table(EXAMPLES / trip / "places.csv")
    assert len({row["place"] for row in rows}) == len(rows)
    return {row["place"]: row for row in rows}


def legs_of(trip: str) -> list[dict[str, str]]:
    return read_table(EXAMPLES / trip / "legs.csv")


def apart_m(a: dict[str, str], b: dict[str, str]) -> float:
    ends = (float(a["lat"]), float(a["lon"]), float(b["lat"]), float(b["lon"]))
    return float(Geodesic.WGS84.Inverse(*ends)["s12"])


def public_fields() -> list[dict[str, str]]:
    """Airfields with a height, private strips (four characters, two of them digits) left out."""
    found = {}
    for kind in ("ICAO", "LID"):
        for code, field in airportsdata.load(kind).items():
            private = len(code) == 4 and len(re.findall(r"\d", code)) >= 2
            if field["elevation"] > 0 and not private:
                key = (round(field["lat"], 3), round(field["lon"], 3))
                found[key] = {
                    "name": field["name"],
                    "lat": str(field["lat"]),
                    "lon": str(field["lon"]),
                    "elevation": str(field["elevation"] * METRE["ft"]),
                }
    return list(found.values())


def field_differences() -> dict[str, list[tuple[float, str]]]:
    """For each place near an airfield: how much higher the place is, and which field."""
    fields = public_fields()
    out: dict[str, list[tuple[float, str]]] = {}
    for trip in TRIPS:
        for key, place in places_of(trip).items():
            for field in fields:
                near = abs(float(field["lat"]) - float(place["lat"])) < 0.08
                if near and apart_m(place, field) < FIELD_RADIUS_M:
                    rise_m = float(place["elevation"]) - float(field["elevation"])
                    out.setdefault(key, []).append((rise_m, field["name"]))
    return out


def test_places_agree_with_the_airfields_beside_them() -> None:
    # Source: airportsdata, whose US heights come from the FAA. 60 m: a town and its field lie on different ground.
    differences = field_differences()
    wrong = {
        key: [(round(rise_m), name) for rise_m, name in found if abs(rise_m) > FIELD_TOLERANCE_M]
        for key, found in differences.items()
    }
    assert {key for key, found in wrong.items() if found} == set(FIELD_EXCEPTIONS), wrong
    assert len(differences) >= 45


@pytest.mark.parametrize("place", PASS_HEIGHTS)
def test_passes_stand_at_their_published_height(place: str) -> None:
    height, unit, tolerance_m, source = PASS_HEIGHTS[place]
    row = next(places_of(trip)[place] for trip in TRIPS if place in places_of(trip))
    assert float(row["elevation"]) == pytest.approx(height * METRE[unit], abs=tolerance_m), source


def test_every_pass_has_a_published_height() -> None:
    passes = {key for trip in TRIPS for key, row in places_of(trip).items() if row.get("kind") == "pass"}
    assert passes <= set(PASS_HEIGHTS)


@pytest.mark.parametrize("trip", TRIPS)
def test_roads_are_longer_than_the_great_circle(trip: str) -> None:
    # Source: geographiclib on WGS84. 0.98: coordinates are town centres, rounded; the road may leave from the edge.
    places = places_of(trip)
    for leg in legs_of(trip):
        ratio = float(leg["distance"]) / apart_m(places[leg["from"]], places[leg["to"]])
        most = 2.8 if (leg["from"], leg["to"]) in WINDING else 1.6
        assert 0.98 <= ratio <= most, (leg["from"], leg["to"], round(ratio, 2))


def test_the_list_of_winding_roads_is_needed() -> None:
    measured = set()
    for trip in TRIPS:
        places = places_of(trip)
        for leg in legs_of(trip):
            if float(leg["distance"]) > 1.6 * apart_m(places[leg["from"]], places[leg["to"]]):
                measured.add((leg["from"], leg["to"]))
    assert measured == WINDING


def profiled_legs() -> list[tuple[str, str]]:
    return [(trip, leg["profile"]) for trip in TRIPS for leg in legs_of(trip) if leg.get("profile")]


@pytest.mark.parametrize(("trip", "profile"), profiled_legs())
def test_profiles_join_their_places_and_keep_to_the_stated_grade(trip: str, profile: str) -> None:
    places = places_of(trip)
    leg = next(leg for leg in legs_of(trip) if leg["profile"] == profile)
    rows = read_table(EXAMPLES / trip / profile)
    along_m = [float(row["distance"]) for row in rows]
    height_m = [float(row["elevation"]) for row in rows]
    assert along_m[0] == 0.0
    assert along_m[-1] == pytest.approx(float(leg["distance"]), abs=1.0)
    assert height_m[0] == pytest.approx(float(places[leg["from"]]["elevation"]), abs=1.0)
    assert height_m[-1] == pytest.approx(float(places[leg["to"]]["elevation"]), abs=1.0)
    steps_m = [b - a for a, b in pairwise(along_m)]
    assert min(steps_m) > 0.0
    assert max(steps_m) <= 3.01 * METRE["mi"]
    stated_percent, source = STATED_GRADE[Path(profile).stem]
    steepest_percent = 100 * max(abs(b - a) / step for (a, b), step in zip(pairwise(height_m), steps_m, strict=True))
    assert steepest_percent <= stated_percent + GRADE_SLACK_PERCENT, source


@pytest.mark.parametrize(("trip", "profile"), profiled_legs())
def test_the_top_of_a_pass_road_is_a_place(trip: str, profile: str) -> None:
    places = places_of(trip)
    leg = next(leg for leg in legs_of(trip) if leg["profile"] == profile)
    ends = [places[leg["from"]], places[leg["to"]]]
    top_m = max(float(row["elevation"]) for row in read_table(EXAMPLES / trip / profile))
    tops_out_between = top_m > max(float(end["elevation"]) for end in ends) + 1.0
    has_pass = any(end["kind"] == "pass" for end in ends)
    assert (has_pass and tops_out_between) == (Path(profile).stem in HIGHER_ON_THE_WAY)


@pytest.mark.parametrize("trip", TRIPS)
def test_every_profile_file_is_used_once(trip: str) -> None:
    files = sorted(f"profiles/{path.name}" for path in (EXAMPLES / trip).glob("profiles/*"))
    assert files == sorted(leg["profile"] for leg in legs_of(trip) if leg.get("profile"))


@pytest.mark.parametrize("trip", TRIPS)
def test_every_place_is_on_a_road(trip: str) -> None:
    ends = {leg[end] for leg in legs_of(trip) for end in ("from", "to")}
    assert ends == set(places_of(trip))


@pytest.mark.parametrize("trip", TRIPS)
def test_highs_are_above_lows_and_fall_with_height(trip: str) -> None:
    # Common practice, no source: the air of a July afternoon cools by 4 to 10 K per kilometre of height.
    degree_k = 5 / 9 if trip == "wilmington-astoria" else 1.0
    rows = [row for row in places_of(trip).values() if row.get("high")]
    assert all(float(row["high"]) > float(row["low"]) for row in rows)
    near = [
        (a, b)
        for a in rows
        for b in rows
        if float(b["elevation"]) - float(a["elevation"]) > 500.0 and apart_m(a, b) < 50000.0
    ]
    for low, high in near:
        climb_km = (float(high["elevation"]) - float(low["elevation"])) / 1000.0
        fall_k = (float(low["high"]) - float(high["high"])) * degree_k
        assert 4.0 <= fall_k / climb_km <= 11.0, (low["place"], high["place"], round(fall_k / climb_km, 1))


def test_the_long_trip_has_the_places_it_promises() -> None:
    places = places_of("wilmington-astoria")
    legs = legs_of("wilmington-astoria")
    assert len(places) >= 85
    assert len(legs) >= 95
    assert NAMED_PASSES <= set(places)
    assert sum(bool(row["high"]) for row in places.values()) >= 45
    both_ways = {end for leg in legs if leg["profile"] for end in (leg["from"], leg["to"])}
    assert both_ways >= NAMED_PASSES
    for key in NAMED_PASSES:
        assert sum(bool(leg["profile"]) and key in (leg["from"], leg["to"]) for leg in legs) >= 2, key
