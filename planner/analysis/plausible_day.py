"""Suspicious temperatures, dates and times."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, time

import numpy as np

from planner.files.rows import WEATHER, DatedWeather
from planner.ground.usual import Usual, summer_share, usual_highs_lows
from planner.model.doubt import Doubt, Expected
from planner.model.geo import distance_m
from planner.model.shown import as_written
from planner.model.trip import Place, Trip

# ASSUMED: a usual high with a larger difference is a mistake, or a heat wave, which is reported too; likely range 6 to
# 9. Lows affect margins less and differ more from place to place.
_UNUSUAL_K, _UNUSUAL_LOW_K, _SURE_SD_K = 7.0, 10.0, 2.0
_UNUSUAL_DAY_K = 12.0  # of a dated day, which need not be a usual one
_RANGE_K = (1.0, 28.0)  # of a day: sea fog to high desert
_ALIKE, _ALIKE_KM, _UNLIKE_K = 4, 250.0, 9.0
_LAPSE_K_PER_M = 0.0065  # standard atmosphere
_AHEAD_YEARS = 3
_NIGHT = (time(3, 30), time(22, 30))  # ASSUMED: few set off outside; 3 to 5 and 21 to 23
_DRIVING_S = 9.0 * 3600.0  # Regulation (EC) No 561/2006, article 6(1), from memory
# ASSUMED: hottest and coldest usual days anywhere by latitude, in summer and winter. [deg], [K]
_LATITUDE_DEG = (0.0, 20.0, 35.0, 50.0, 65.0, 80.0)
_SEASONS_DEG = 35.0  # ASSUMED: nearer the equator summers and winters differ less; likely range 30 to 40
_HOTTEST_K, _COLDEST_K = (312.0, 318.0, 319.0, 311.0, 304.0, 292.0), (285.0, 273.0, 258.0, 240.0, 222.0, 222.0)


def temperature_doubts(trip: Trip) -> Iterator[Doubt]:
    """Doubt highs and lows far from the shipped normals, else from the neighbours' or the latitude's usual ones."""
    given = [place for place in trip.places.values() if place.high_k is not None]
    found = usual_highs_lows([(p.lat_deg, p.lon_deg, p.elevation_m) for p in given], day=trip.first_date)
    usual = dict(zip((place.key for place in given), found, strict=True))
    for place in given:
        yield from _of_place(trip, place, usual[place.key], given)


def _of_place(trip: Trip, place: Place, usual: Usual | None, given: Sequence[Place]) -> Iterator[Doubt]:
    for name, value in (("high", place.high_k), ("low", place.low_k)):
        if value is None:
            continue
        expected = _expected(trip, place, name, usual, given)
        if expected is None:
            continue
        there_k, free_k, what = expected
        if abs(value - there_k) > free_k:
            yield _temperature(trip, place, name, value, there_k, what)
            return
    yield from _of_range(trip, place)


def range_doubts(trip: Trip) -> Iterator[Doubt]:
    """Doubt highs and lows that differ by more than on any day, or are interchanged."""
    for place in trip.places.values():
        yield from _of_range(trip, place)


def _of_range(trip: Trip, place: Place) -> Iterator[Doubt]:
    if place.high_k is not None and place.low_k is not None:
        apart_k = place.high_k - place.low_k
        if not _RANGE_K[0] <= apart_k <= _RANGE_K[1]:
            high, low = as_written(trip, "high", place.high_k), as_written(trip, "low", place.low_k)
            sentence = f"{place.name} from {low} to {high} in a day; check both"
            yield of_place(trip, place, "low", low, f"its high, {high}", sentence, place.high_k - 13.0)


def of_place(
    trip: Trip, place: Place, column: str, value: str, against: str, sentence: str, expected: float | None
) -> Doubt:
    """Doubt a value of a place, with the one expected in SI, if any."""
    field = {"elevation": "elevation_m", "high": "high_k", "low": "low_k"}.get(column, "")
    return Doubt(
        file=trip.written.places,
        row=place.row,
        column=column,
        value=value,
        against=against,
        sentence=sentence,
        expected=None if expected is None else Expected(of="place", name=place.key, field=field, value=expected),
    )


def _expected(
    trip: Trip, place: Place, name: str, usual: Usual | None, given: Sequence[Place]
) -> tuple[float, float, str] | None:
    """Expected temperature, the difference allowed, and its source."""
    if usual is not None:
        value, sd = (usual.high_k, usual.high_sd_k) if name == "high" else (usual.low_k, usual.low_sd_k)
        free_k = _UNUSUAL_K if name == "high" else _UNUSUAL_LOW_K
        return value, free_k + 2.0 * max(0.0, sd - _SURE_SD_K), "the usual {} there"
    near = _near(place, given, name)
    if len(near) >= _ALIKE:
        return float(np.median(near)), _UNLIKE_K, "the places around, at that height"
    summer = float(summer_share(trip.first_date.month, place.lat_deg))
    seasons = min(1.0, abs(place.lat_deg) / _SEASONS_DEG)
    hottest = float(np.interp(abs(place.lat_deg), _LATITUDE_DEG, _HOTTEST_K)) - 22.0 * (1.0 - summer) * seasons
    coldest = float(np.interp(abs(place.lat_deg), _LATITUDE_DEG, _COLDEST_K)) + 12.0 * summer
    drop_k = _LAPSE_K_PER_M * max(place.elevation_m, 0.0)
    middle = 0.5 * (hottest + coldest) - drop_k
    return middle, 0.5 * (hottest - coldest), "what is usual at that latitude, about {}"


def _near(place: Place, given: Sequence[Place], name: str) -> list[float]:
    """The same temperature at the nearest places, reduced to this one's elevation."""
    others = []
    for other in given:
        value = other.high_k if name == "high" else other.low_k
        if other.key == place.key or value is None:
            continue
        far = distance_m(lat1_deg=place.lat_deg, lon1_deg=place.lon_deg, lat2_deg=other.lat_deg, lon2_deg=other.lon_deg)
        if far < 1e3 * _ALIKE_KM:
            others.append((far, value + _LAPSE_K_PER_M * (other.elevation_m - place.elevation_m)))
    return [value for _, value in sorted(others)[:6]]


def _temperature(trip: Trip, place: Place, name: str, value: float, there_k: float, what: str) -> Doubt:
    read, there = as_written(trip, name, value), as_written(trip, name, there_k)
    against = f"{what.format(name)}, {there}" if "about" not in what else what.format(there)
    sentence = f"{place.name} with a {name} of {read}, {against}; check it"
    return of_place(trip, place, name, read, against, sentence, there_k)


def day_doubts(trip: Trip, dated: Iterable[DatedWeather]) -> Iterator[Doubt]:
    """Doubt rows of weather.csv far from what is usual on their date, and winds of a storm."""
    rows = [row for row in dated if row.place in trip.places]
    usual: dict[tuple[str, date], Usual | None] = {}
    by_day: dict[date, list[str]] = {}
    for row in rows:
        by_day.setdefault(row.date, []).append(row.place)
    for day, keys in by_day.items():
        places = [trip.places[key] for key in keys]
        found = usual_highs_lows([(p.lat_deg, p.lon_deg, p.elevation_m) for p in places], day=day)
        usual |= {(key, day): one for key, one in zip(keys, found, strict=True)}
    for row in rows:
        yield from _of_day(trip, row, usual)


def _of_day(trip: Trip, row: DatedWeather, usual: Mapping[tuple[str, date], Usual | None]) -> Iterator[Doubt]:
    name = trip.places[row.place].name
    there = usual.get((row.place, row.date))
    for column, value in (("high", row.high_k), ("low", row.low_k)):
        if value is None or there is None:
            continue
        expected = there.high_k if column == "high" else there.low_k
        if abs(value - expected) > _UNUSUAL_DAY_K + max(0.0, there.high_sd_k - _SURE_SD_K):
            read, usually = as_written(trip, column, value), as_written(trip, column, expected)
            against = f"the usual {column}, {usually}"
            yield _of_row(row, column, read, against, f"{name} on {row.date}: a {column} of {read}, {against}")
    if row.wind_m_per_s is not None and row.wind_m_per_s > 25.0:
        read = as_written(trip, "speed", row.wind_m_per_s)
        yield _of_row(row, "wind", read, "a storm", f"{name} on {row.date}: wind of {read}, a storm")
    if row.humidity is not None and row.humidity < 0.03:
        read = f"{100.0 * row.humidity:.1f} %"
        yield _of_row(row, "humidity", read, "any place", f"{name} on {row.date}: humidity {read}; is it in percent?")


def _of_row(row: DatedWeather, column: str, value: str, against: str, sentence: str) -> Doubt:
    return Doubt(
        file=WEATHER, row=row.row, column=column, value=value, against=against, sentence=f"{sentence}; check it"
    )


def schedule_doubts(trip: Trip, today: date | None) -> Iterator[Doubt]:
    """Doubt starts at night, long driving days, and a departure that is past, or years ahead."""
    for key, value, against, sentence in (*_hours(trip), *_driving(trip), *(_departure(trip, today) if today else ())):
        yield Doubt(file="trip.toml", row=0, column=key, value=value, against=against, sentence=sentence)


def _hours(trip: Trip) -> Iterator[tuple[str, str, str, str]]:
    """Starts in the middle of the night: no other hour is as cool."""
    hours = [("departure", trip.departure.time()), ("day.start", trip.day.start), ("day.earliest", trip.day.earliest)]
    for key, at in (*hours, *(("morning.at", at) for _, at in trip.mornings)):
        if not _NIGHT[0] <= at < _NIGHT[1]:
            read = f"{at:%H:%M}"
            yield key, read, "usual departure times", f"A day may begin at {read}, at night; check the hour."


def _driving(trip: Trip) -> Iterator[tuple[str, str, str, str]]:
    if trip.day.driving_s > _DRIVING_S:
        read, law = f"{trip.day.driving_s / 3600.0:g} h", "drivers of lorries and coaches are allowed in Europe"
        sentence = f"Up to {read} of driving a day, more than the 9 h that {law}; check it."
        yield "day.driving", read, f"the 9 h a day that {law}", sentence


def _departure(trip: Trip, today: date) -> Iterator[tuple[str, str, str, str]]:
    when, years = f"{trip.departure:%Y-%m-%d %H:%M}", trip.first_date.year - today.year
    if trip.first_date < today:
        yield "departure", when, f"today, {today}", f"The departure, {when}, is in the past; today is {today}."
    elif years > _AHEAD_YEARS:
        yield "departure", when, f"today, {today}", f"The departure, {when}, is {years} years ahead; check the year."
