"""Never ample where it is not known: real passes of the worked example, with their profiles and without."""

from dataclasses import replace

import numpy as np
import pytest
from cars import with_part

import maps.scene
from planner.analysis.margins import find_margins, worst_of
from planner.analysis.unknowns import HEAT_K, find_unknowns
from planner.forecast.run import forecast
from planner.ground.usual import usual_highs_lows
from planner.model.levels import LEVELS, TIGHT, WORDS
from planner.output.outcome import headline, unknown_sentence, unknown_words
from planner.output.report import make_report
from planner.weather.shipped import ShippedStations
from planner.weather.sources import TripWeather


@pytest.fixture(scope="module")
def laden(big):
    """The worked example's car with another 1,500 kg on its trailer."""
    file, mass_kg = big.outlook.car, big.outlook.car.vehicle.trailer.mass_kg + 1500.0
    return replace(file, vehicle=with_part(file.vehicle, "trailer", mass_kg=mass_kg))


@pytest.fixture(scope="module")
def passes(big, laden):
    """South Fork to Pagosa Springs over Wolf Creek Pass: with the example's profiles, and as one leg without any."""
    trip = big.outlook.trip
    keys = ("south-fork-co", "wolf-creek-pass", "treasure-falls", "pagosa-springs-co")
    legs = tuple(leg for leg in big.outlook.legs if leg.start in keys and leg.finish in keys)
    one = replace(legs[0], finish=legs[-1].finish, distance_m=sum(leg.distance_m for leg in legs), profile=None)
    plain = {"nights": (), "halts": (), "events": (), "rest": (), "mornings": (), "finish_by": None}
    whole = replace(trip, route=(keys[0], keys[-1]), explicit=False, legs=legs, **plain)
    return [make_report(forecast(t, laden), remedies=False) for t in (whole, replace(whole, legs=(one,)))]


def test_a_pass_that_nobody_entered_is_not_ample(passes):
    known, bare = passes
    assert {known.worst(leg).level for leg in range(len(known.outlook.legs))} & TIGHT
    (even,) = [bare.worst(0)]
    assert even.margin_k > bare.outlook.trip.thin_band_k  # by a constant grade it would be ample
    assert even.level == "unknown"
    assert even.least_k < 0.0
    assert "1 not known" in headline(bare)
    assert unknown_words(bare, 0).startswith("42 mi without a profile, ground up to ")


def test_legs_with_profiles_are_known(big):
    unknowns = find_unknowns(big.outlook)
    legs = big.outlook.legs
    assert all(legs[gap.leg].profile is None for gap in unknowns.gaps)
    for margin in find_margins(big.outlook, unknowns):
        assert margin.least_k <= margin.margin_k
        if not unknowns.gaps or margin.leg < unknowns.gaps[0].leg:
            assert margin.least_k == pytest.approx(margin.margin_k, abs=0.1)  # speeds held are found anew


def test_heat_from_a_leg_that_is_not_known_is_carried_on(big):
    found = [m for m in big.margins if m.level == "unknown" and not big.unknowns.of_leg(m.leg)]
    assert found
    for margin in found:
        assert "heat carried over from" in unknown_words(big, margin.leg)


def test_taking_profiles_away_never_calms(big):
    trip = big.outlook.trip
    bare = replace(trip, legs=tuple(replace(leg, profile=None) for leg in trip.legs))
    margins = find_margins(forecast(bare, big.outlook.car))
    for leg in range(len(big.outlook.legs)):
        if big.worst(leg).level in ("thin", "exceeded"):
            assert worst_of(margins, leg).level != "ample"


def test_one_registry_of_levels():
    assert maps.scene.LEVELS == WORDS
    assert maps.scene.Scene.__dataclass_fields__["level_words"].default == tuple(level.legend for level in LEVELS)


def test_the_count_of_levels_is_that_of_the_legs(big):
    said = headline(big)
    counts = {
        "thin": sum(m.level == "thin" for m in big.notable()),
        "exceeded": sum(m.level == "exceeded" for m in big.notable()),
        "not known": len(big.unknown()),
    }
    assert any(counts.values())
    for word, count in counts.items():
        assert (f"{count} {word}" in said) == (count > 0)
    assert np.isfinite([m.least_k for m in big.margins]).all()


def test_a_day_that_nobody_told_of_may_be_hotter(passes):
    known, _ = passes
    trip = known.outlook.trip
    told = find_unknowns(known.outlook)
    assert not told.heat_k.any()  # Pagosa Springs and South Fork have highs
    bare = {key: replace(place, high_k=None, low_k=None) for key, place in trip.places.items()}
    car = known.outlook.car
    outlook = forecast(replace(trip, places=bare), car, known=TripWeather(stations=ShippedStations()))
    untold = find_unknowns(outlook)
    assert untold.heat_k.tolist() == [HEAT_K] * len(outlook.legs)
    assert np.all(untold.lost_k >= HEAT_K)  # more where heights are not known either
    kept = min(margin.margin_k for margin in find_margins(outlook, untold) if margin.leg == 0)
    wide = replace(outlook.trip, thin_band_k=kept - 0.5 * HEAT_K)  # ample on a usual day, not on a hotter one
    report = make_report(replace(outlook, route=replace(outlook.route, trip=wide)), remedies=False)
    assert report.worst(0).level == "unknown"
    assert unknown_words(report, 0).startswith("no highs given nearby")
    assert "Enter highs of places there" in unknown_sentence(report, report.worst(0))


def test_station_normals_written_as_highs_tell_nothing_more(passes):
    """As a trip made from a track writes them, in whole degrees."""
    known, _ = passes
    trip = known.outlook.trip
    where = [(place.lat_deg, place.lon_deg, place.elevation_m) for place in trip.places.values()]
    usual = usual_highs_lows(where, day=trip.first_date)
    pairs = zip(trip.places.items(), usual, strict=True)
    written = {key: replace(place, high_k=round(one.high_k) + 0.15, low_k=one.low_k) for (key, place), one in pairs}
    outlook = forecast(replace(trip, places=written), known.outlook.car)
    assert find_unknowns(outlook).heat_k.all()
