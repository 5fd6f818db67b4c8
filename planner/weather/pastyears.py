"""What was usual in the past ten years on the days of the trip: means and day-to-day spread, fetched once and kept."""

import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from planner.model.errors import OutputError
from planner.model.trip import Trip
from planner.weather.keep import load_past_years, save_past_years
from planner.weather.openmeteo import ARCHIVE_URL, batches, each, where
from planner.weather.record import AIR_K, NEAR_DAYS, Missing, PastYears, Point, odd_past_years
from planner.weather.reply import Answer, BadReply, ServiceError, number_of, part_of

if TYPE_CHECKING:
    from planner.weather.web import Web

Floats = NDArray[np.float64]
YEARS = 10
MAX_PLACES = 40
"""Most places asked for; of more, every second, third and so on. [-]"""
_BEHIND_DAYS = 6  # the archive ends about five days before the present
_LEAST_VALUES = 60  # of 150: ten years of fifteen days
_CALLS_A_MINUTE = 500.0  # of 600 allowed; every place counts, and twice beyond two weeks
_DAILY = ("temperature_2m_max", "temperature_2m_min")


def thinned(points: Sequence[Point], most: int = MAX_PLACES) -> tuple[Point, ...]:
    """Choose places evenly, the first and the last among them.

    Parameters
    ----------
    points : sequence of Point
        Along the route. [-]
    most : int
        How many at most. [-]

    Returns
    -------
    tuple of Point
        In order.
    """
    if len(points) <= most:
        return tuple(points)
    return tuple(points[i] for i in np.unique(np.linspace(0, len(points) - 1, most).round().astype(int)))


def fetch_past_years(
    points: Sequence[Point],
    dates: Sequence[date],
    *,
    web: "Web",
    now: datetime,
    url: str = ARCHIVE_URL,
    tell: Callable[[str], None] = lambda _: None,
    sleep: Callable[[float], None] = time.sleep,
) -> tuple[dict[str, PastYears], tuple[Missing, ...]]:
    """Ask the archive for the days of the trip in ten past years.

    Parameters
    ----------
    points : sequence of Point
        Places. [-]
    dates : sequence of date
        Days of the trip, rising, without gaps. [-]
    web : Web
        The network, or offline its cache. [-]
    now : datetime
        The present, aware. [-]
    url : str
        The service. [-]
    tell, sleep : callable
        Receives progress; waits, so that the service's limit is kept. [-, s]

    Returns
    -------
    tuple
        What is usual by place, and places without an answer.
    """
    found: dict[str, PastYears] = {}
    missing: list[Missing] = []
    spans = year_spans(dates, now.astimezone(UTC).date())
    for batch in batches(points):
        pause_s = 60.0 * len(batch) * max(1.0, (len(dates) + 2 * NEAR_DAYS) / 14.0) / _CALLS_A_MINUTE
        answers: list[Answer] = []
        try:
            for number, (first, last) in enumerate(spans):
                if number and not answers[-1].cached:
                    sleep(pause_s)
                tell(f"past years: {first.year} ({number + 1} of {len(spans)})")
                answers.append(_ask(url, batch, first, last, web))
            years = [each(answer.data, len(batch)) for answer in answers]
        except ServiceError as exc:
            missing += [Missing(place=p.place, why=f"Open-Meteo archive {exc}") for p in batch]
            continue
        fetched_s = min(answer.fetched_s for answer in answers)
        for index, point in enumerate(batch):
            try:
                replies = [held[index] for held in years]
                found[point.place] = summary(replies, spans, point=point, dates=dates, fetched_s=fetched_s)
            except ServiceError as exc:
                missing.append(Missing(place=point.place, why=f"Open-Meteo archive {exc}"))
    return found, tuple(missing)


def year_spans(dates: Sequence[date], today: date) -> list[tuple[date, date]]:
    """First and last day to ask for in each of ten past years, the latest year first.

    Parameters
    ----------
    dates : sequence of date
        Days of the trip. [-]
    today : date
        The present; the archive ends some days before it. [-]

    Returns
    -------
    list of tuple of date
        From a week before the trip's first day to a week after its last.

    Examples
    --------
    >>> spans = year_spans([date(2027, 7, 6), date(2027, 7, 7)], date(2027, 3, 1))
    >>> len(spans), spans[0]
    (10, (datetime.date(2026, 6, 29), datetime.date(2026, 7, 14)))
    """
    length = timedelta(days=(dates[-1] - dates[0]).days + NEAR_DAYS)
    year = dates[0].year
    while _in_year(dates[0], year) + length > today - timedelta(days=_BEHIND_DAYS):
        year -= 1
    starts = [_in_year(dates[0], y) for y in range(year, year - YEARS, -1)]
    return [(start - timedelta(days=NEAR_DAYS), start + length) for start in starts]


def _in_year(day: date, year: int) -> date:
    with suppress(ValueError):
        return day.replace(year=year)
    return date(year, 2, 28)


def _ask(url: str, batch: Sequence[Point], first: date, last: date, web: "Web") -> Answer:
    params = {
        "start_date": first.isoformat(),
        "end_date": last.isoformat(),
        "daily": ",".join(_DAILY),
        "temperature_unit": "celsius",
        "timezone": "auto",
    }
    return web.get(f"{url}/v1/archive", params | where(batch), accept="application/json")


def summary(
    replies: Sequence[Mapping[str, Any]],
    spans: Sequence[tuple[date, date]],
    *,
    point: Point,
    dates: Sequence[date],
    fetched_s: float,
) -> PastYears:
    """Take means and spread of every day of the trip from the years' windows.

    Parameters
    ----------
    replies : sequence of mapping
        The service's object for the place, one a year. [-]
    spans : sequence of tuple of date
        First and last day asked for in each, the latest year first. [-]
    point : Point
        The place. [-]
    dates : sequence of date
        Days of the trip. [-]
    fetched_s : float
        When the oldest reply came. [s since 1970 UTC]

    Returns
    -------
    PastYears
        What is usual there.

    Raises
    ------
    BadReply
        If a reply has another form than promised or other days than asked for, or too much is lacking.
    """
    days = np.array([_window(reply, *span) for reply, span in zip(replies, spans, strict=True)])  # year, high/low, day
    offsets = [(day - dates[0]).days for day in dates]
    highs, lows, sds = [], [], []
    for offset in offsets:
        high, low = (days[:, row, offset : offset + 2 * NEAR_DAYS + 1].ravel() for row in (0, 1))
        high, low = high[np.isfinite(high)], low[np.isfinite(low)]
        if min(high.size, low.size) < _LEAST_VALUES:
            message = "has too few days"
            raise BadReply(message)
        highs.append(float(high.mean()) + 273.15)
        lows.append(min(float(low.mean()) + 273.15, highs[-1]))
        sds.append(float(high.std(ddof=1)))
    height = number_of(replies[0].get("elevation"), "elevation")
    one = PastYears(
        place=point.place,
        elevation_m=point.elevation_m if np.isnan(height) else height,
        days=tuple(dates),
        high_k=tuple(highs),
        low_k=tuple(lows),
        sd_k=tuple(sds),
        years=(spans[-1][0].year, spans[0][0].year),
        fetched_s=fetched_s,
    )
    why = odd_past_years(one)
    if why:
        raise BadReply(why)
    return one


def _window(reply: Mapping[str, Any], first: date, last: date) -> list[list[float]]:
    """Highs and lows of one year, NaN for null."""
    daily, units = part_of(reply, "daily"), part_of(reply, "daily_units")
    asked = [(first + timedelta(days=i)).isoformat() for i in range((last - first).days + 1)]
    if daily.get("time") != asked:
        message = f"gave other days than {first} to {last}"
        raise BadReply(message)
    found = []
    for name in _DAILY:
        held = daily.get(name)
        if units.get(name) != "°C" or not isinstance(held, list) or len(held) != len(asked):
            message = f"gave {name} in another unit, or for another number of days, than asked for"
            raise BadReply(message)
        found.append([number_of(value, name) for value in held])
        if any(not AIR_K[0] <= value + 273.15 <= AIR_K[1] for value in found[-1] if value == value):
            message = f"gave {name} that no air can have; nothing of it is used"
            raise BadReply(message)
    return found


def past_years_for(
    trip: Trip,
    points: Sequence[Point],
    dates: Sequence[date],
    *,
    web: "Web",
    now: datetime,
    url: str = ARCHIVE_URL,
    tell: Callable[[str], None] = lambda _: None,
    sleep: Callable[[float], None] = time.sleep,
) -> tuple[dict[str, PastYears], tuple[Missing, ...]]:
    """Past years of places: kept ones where they know the dates, else fetched and kept.

    Parameters
    ----------
    trip : Trip
        Where to keep them. [-]
    points : sequence of Point
        Places nobody entered usual highs and lows for. [-]
    dates : sequence of date
        Days of the trip. [-]
    web : Web
        The network, or offline its cache. [-]
    now : datetime
        The present, aware. [-]
    url : str
        The service. [-]
    tell, sleep : callable
        Receives progress; waits. [-, s]

    Returns
    -------
    tuple
        What is usual by place, and places without an answer.
    """
    wanted = thinned(points)
    kept = load_past_years(trip, tell=tell)
    lacking = [p for p in wanted if p.place not in kept or not set(dates) <= set(kept[p.place].days)]
    if not lacking:
        return kept, ()
    found, missing = fetch_past_years(lacking, dates, web=web, now=now, url=url, tell=tell, sleep=sleep)
    if found:
        try:
            save_past_years(trip, kept | found)
        except OutputError as exc:
            tell(str(exc))
    return kept | found, missing
