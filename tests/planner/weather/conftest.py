"""The services on a loopback server, clients with a cache of their own, and replies as read.

`services`, the server, and `user_folders` are those of all tests.
"""

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from loopback import BRIG, LINN

from planner.weather.nws import parse_grid
from planner.weather.openmeteo import summary, year_spans
from planner.weather.records import Answer, PastYears, PlaceForecast
from planner.weather.transport import Client


@pytest.fixture
def web(tmp_path: Path):
    """`web(offline=...)`: a client on one cache folder; old ones are closed in the end."""
    opened: list[Client] = []

    def make(folder: Path | None = None, **more) -> Client:
        plain = {"offline": False, "now": datetime.now(UTC) + timedelta(seconds=5), "back_off_s": 0.0}
        opened.append(Client(tmp_path / "cache" if folder is None else folder, **plain | more))
        return opened[-1]

    yield make
    for one in opened:
        one.close()


@pytest.fixture
def grow_old():
    """`grow_old(client)`: what its cache holds was stored an hour ago and is past its time; `part` of a URL chooses."""

    def make(client: Client, part: str = "") -> None:
        cache = client._session.cache
        for one in [one for one in cache.filter() if part in one.url]:
            one.created_at -= timedelta(hours=1)
            one.expires = datetime.now(UTC) - timedelta(seconds=1)
            cache.responses[one.cache_key] = one

    return make


@pytest.fixture
def grid():
    """`grid(temperature=...)`: two hours of the National Weather Service as read, its layers changed before that."""

    def make(**changes) -> PlaceForecast:
        span = {"validTime": "2026-07-01T13:00:00+00:00/PT2H", "value": 25.5}
        layers = {
            "updateTime": "2026-07-01T10:22:03+00:00",
            "elevation": {"unitCode": "wmoUnit:m", "value": 406.6},
            "temperature": {"uom": "wmoUnit:degC", "values": [span]},
        }
        outline = {name: changes.pop(name) for name in ("geometry",) if name in changes}
        data = json.loads(json.dumps({"properties": layers | changes} | outline))
        return parse_grid(Answer(data=data, fetched_s=1.8e9, stale=False), point=LINN, source="nws")

    return make


@pytest.fixture
def archive():
    """`archive(spoil)`: ten past years of 6 July at Brig as read, one year's reply spoilt before that, or `which`."""
    days_of_trip = (date(2027, 7, 6),)
    spans = year_spans(days_of_trip, date(2027, 3, 1))

    def make(spoil, which=slice(3, 4)) -> PastYears:
        replies = []
        for first, last in spans:
            days = [(first + timedelta(days=i)).isoformat() for i in range((last - first).days + 1)]
            daily = {"time": days, "temperature_2m_max": [30.0] * 15, "temperature_2m_min": [14.0] * 15}
            units = {"temperature_2m_max": "°C", "temperature_2m_min": "°C"}
            replies.append({"elevation": 678.0, "daily": daily, "daily_units": units})
        for reply in replies[which]:
            spoil(reply)
        return summary(replies, spans, point=BRIG, dates=days_of_trip, fetched_s=1.78e9)

    return make
