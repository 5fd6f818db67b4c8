"""A loopback server that answers as the weather services do, with faults to switch on.

`Loopback.faults["/v1/forecast"] = "500"` breaks one path, `Loopback.asked` lists requests. Shapes follow the services'
documentation and recorded replies; every value is made up: 20 degC plus the hour of the day at the National Weather
Service, 10 degC plus the hour at Open-Meteo.
"""

import json
import socket
import socketserver
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, date, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlsplit

from planner.weather.nws import NationalWeatherService
from planner.weather.openmeteo import OpenMeteo
from planner.weather.records import Point

GRID_M, HOURS = 406.6, 180
LINN = Point(place="linn", lat_deg=39.7456, lon_deg=-97.0892, elevation_m=440.0)
BRIG = Point(place="brig", lat_deg=46.3159, lon_deg=7.9878, elevation_m=678.0)


def iso(epoch_s: float) -> str:
    return datetime.fromtimestamp(epoch_s, UTC).isoformat()


class Replies:
    """What the services say of any place, from an hour on."""

    def __init__(self, now: datetime, *, hours: int = HOURS) -> None:
        self.url, self.hours = "", hours
        self.grid_shift = 0  # the point-to-grid map is redrawn when this changes
        self.ground_m: dict[tuple[int, int], float] = {}  # of grid cells; GRID_M where nothing is said
        self.start_s = now.replace(minute=0, second=0, microsecond=0).timestamp() - 86400.0
        self.issued_s = now.timestamp() - 1800.0

    def sound(self, path: str, query: dict[str, list[str]]):
        if path.startswith("/points/"):
            return self.point(path.removeprefix("/points/"))
        if path.startswith("/gridpoints/"):
            return self.grid(path)
        if path == "/v1/elevation":
            count = len(query["latitude"][0].split(","))
            return 200, {"elevation": [1755.0 + i for i in range(count)]}, {}
        if path == "/v1/json":
            return 200, self.usgs(query), {}
        lats, lons, heights = (query[name][0].split(",") for name in ("latitude", "longitude", "elevation"))
        if len(lats) > 100:
            return 400, {"error": True, "reason": "Too many locations"}, {}
        make = self.archive if path == "/v1/archive" else self.forecast
        replies = [make(query, *map(float, where)) for where in zip(lats, lons, heights, strict=True)]
        return 200, replies[0] if len(replies) == 1 else replies, {}

    def point(self, text: str):
        lat, lon = text.split(",")
        canonical = ",".join(f"{float(x):.4f}".rstrip("0").rstrip(".") for x in (lat, lon))
        if text != canonical:
            moved = problem(301, "AdjustPointPrecision", "The precision of latitude/longitude points is limited to 4")
            return 301, moved[1], {"Location": f"/points/{canonical}"}
        if float(lat) > 49.0 or float(lon) > 0.0:
            detail = f"Unable to provide data for requested point {text}"
            return problem(404, "InvalidPoint", detail)
        x, y = self.cell(float(lat), float(lon))
        properties = {
            "@id": f"{self.url}/points/{text}",
            "@type": "wx:Point",
            "cwa": "TOP",
            "gridId": "TOP",
            "gridX": x,
            "gridY": y,
            "forecastGridData": f"https://elsewhere.invalid/gridpoints/TOP/{x},{y}",
            "timeZone": "America/Chicago",
        }
        return 200, {"type": "Feature", "properties": properties}, {"Cache-Control": "public, max-age=749"}

    def cell(self, lat: float, lon: float) -> tuple[int, int]:
        return round(-lon) + self.grid_shift, round(lat)

    def grid(self, path: str):
        x, y = map(int, path.rsplit("/", 1)[1].split(","))
        if x < self.grid_shift:
            return problem(404, "InvalidGridpoint", "Unable to provide data for requested gridpoint")
        return (
            200,
            {"type": "Feature", "properties": self.layers(self.ground_m.get((x, y), GRID_M))},
            {"Cache-Control": "public, max-age=749, s-maxage=3600"},
        )

    def layers(self, ground_m: float) -> dict[str, object]:
        runs = []
        hour = 0
        while hour < self.hours:  # runs of one hour, and of two through the night
            long = 2 if (hour % 24) < 4 else 1
            runs.append((self.start_s + 3600.0 * hour, long))
            hour += long

        def layer(uom: str, value) -> dict[str, object]:
            held = [{"validTime": f"{iso(at)}/PT{n}H", "value": value(at)} for at, n in runs]
            return {"uom": f"wmoUnit:{uom}", "values": held}

        return {
            "updateTime": iso(self.issued_s),
            "validTimes": f"{iso(self.start_s)}/P7DT12H",
            "elevation": {"unitCode": "wmoUnit:m", "value": ground_m},
            "gridId": "TOP",
            "gridX": "31",
            "gridY": "80",
            "temperature": layer("degC", lambda at: 20.0 + at % 86400.0 / 3600.0),
            "dewpoint": layer("degC", lambda _: 12.0),
            "windSpeed": layer("km_h-1", lambda _: 36.0),
            "windDirection": layer("degree_(angle)", lambda _: 270.0),
            "skyCover": {"uom": "wmoUnit:percent", "values": []},
        }

    def forecast(self, query: dict[str, list[str]], lat: float, lon: float, height: float) -> dict[str, object]:
        today = self.start_s - self.start_s % 86400.0 + 86400.0
        times = [int(today + 3600.0 * h) for h in range(24 * int(query["forecast_days"][0]))]
        air = [10.0 + (at % 86400) / 3600.0 for at in times]
        return {
            "latitude": lat + 0.01,
            "longitude": lon - 0.02,
            "generationtime_ms": 0.21,
            "utc_offset_seconds": 0,
            "timezone": "UTC",
            "elevation": height,
            "hourly_units": {
                "time": query["timeformat"][0],
                "temperature_2m": "°C",
                "dew_point_2m": "°C",
                "wind_speed_10m": "m/s" if query["wind_speed_unit"] == ["ms"] else "km/h",
                "wind_direction_10m": "°",
            },
            "hourly": {
                "time": times,
                "temperature_2m": air,
                "dew_point_2m": [8.0] * len(times),
                "wind_speed_10m": [5.0] * len(times),
                "wind_direction_10m": [0] * len(times),
            },
        }

    def archive(self, query: dict[str, list[str]], lat: float, lon: float, height: float) -> dict[str, object]:
        first, last = (date.fromisoformat(query[name][0]) for name in ("start_date", "end_date"))
        days = [first + timedelta(days=i) for i in range((last - first).days + 1)]
        highs = [30.0 + (first.year % 2) * 2.0 + (1.0 if i % 2 else -1.0) for i in range(len(days))]
        return {
            "latitude": lat,
            "longitude": lon,
            "elevation": height,
            "daily_units": {"time": "iso8601", "temperature_2m_max": "°C", "temperature_2m_min": "°C"},
            "daily": {
                "time": [day.isoformat() for day in days],
                "temperature_2m_max": highs,
                "temperature_2m_min": [high - 14.0 for high in highs],
            },
        }

    def usgs(self, query: dict[str, list[str]]) -> dict[str, object]:
        where = {"x": float(query["x"][0]), "y": float(query["y"][0])}
        value = -1000000 if where["x"] < -124.0 else "296.606"
        return {"location": where, "locationId": 0, "value": value, "rasterId": 68360, "resolution": 1}


class Loopback(Replies):
    """The server, its switches and its memory."""

    def __init__(self) -> None:
        super().__init__(datetime.now(UTC))
        self.faults: dict[str, str] = {}
        self.asked: list[str] = []
        self.headers: list[dict[str, str]] = []
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                outer.asked.append(self.path)
                outer.headers.append(dict(self.headers))
                outer.answer(self)

            def log_message(self, *_: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}"
        threading.Thread(target=self.server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True).start()

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()

    def both(self):
        return NationalWeatherService(url=self.url), OpenMeteo(url=self.url)

    def answer(self, handler: BaseHTTPRequestHandler) -> None:
        path = urlsplit(handler.path)
        fault = next((kind for part, kind in self.faults.items() if part in handler.path), "")
        if fault.endswith(" once"):
            fault = fault.removesuffix(" once")
            self.faults = {part: kind for part, kind in self.faults.items() if part not in handler.path}
        if fault == "slow":
            time.sleep(2.5)
        if fault in ("", "slow"):
            status, body, more = self.sound(path.path, parse_qs(path.query, keep_blank_values=True))
            send(handler, status, body, more)
        elif fault == "html":
            send(handler, 200, "<html><body>Welcome to the Motel. Please log in.</body></html>", {}, kind="text/html")
        elif fault == "403":
            send(handler, 403, "<html><body>Access Denied</body></html>", {}, kind="text/html")
        elif fault == "cut":
            _, body, more = self.sound(path.path, parse_qs(path.query))
            send(handler, 200, json.dumps(body)[:-7], more, length=5000)
        elif fault == "short":  # cut, yet with a length that fits
            _, body, more = self.sound(path.path, parse_qs(path.query))
            send(handler, 200, json.dumps(body)[:-7], more)
        elif fault == "array":
            send(handler, 200, [1, 2, 3], {})
        elif fault == "429":
            reason = "Minutely API request limit exceeded. Please try again in one minute."
            send(handler, 429, {"error": True, "reason": reason}, {"Retry-After": "60"})
        else:
            send(handler, *problem(int(fault), "UnexpectedProblem", "An unexpected problem has occurred."))


def problem(status: int, kind: str, detail: str):
    body = {
        "correlationId": "1dc193d9",
        "title": "Unexpected Problem" if status >= 500 else "Data Unavailable For Requested Point",
        "type": f"https://api.weather.gov/problems/{kind}",
        "status": status,
        "detail": detail,
        "instance": "https://api.weather.gov/requests/1dc193d9",
    }
    return status, body, {}


def send(handler, status, body, headers, *, kind="application/json", length=None) -> None:
    data = (body if isinstance(body, str) else json.dumps(body)).encode()
    try:
        handler.send_response(status)
        handler.send_header("Content-Type", kind)
        handler.send_header("Content-Length", str(len(data) if length is None else length))
        for name, value in {"ETag": '"1"', "Last-Modified": "Wed, 01 Jul 2026 10:00:00 GMT", **headers}.items():
            handler.send_header(name, value)
        handler.end_headers()
        handler.wfile.write(data)
    except OSError:
        pass  # the client had enough of waiting


GOOD = b'{"elevation": [1755.0]}'


def http(body: bytes = GOOD, *head: str, status: str = "200 OK", length: int | None = None) -> bytes:
    """A whole answer, header and body, as it goes over the wire."""
    size = len(body) if length is None else length
    lines = [f"HTTP/1.1 {status}", f"Content-Length: {size}", "Connection: close", *head, "", ""]
    return "\r\n".join(lines).encode() + body


class Wire:
    """A plain socket that sends what it is given, or calls it with the socket, for every question; `asked` has them."""

    def __init__(self, send: bytes | Callable[[socket.socket], object]) -> None:
        self.asked: list[str] = []
        self.send, outer = send, self

        class Handler(socketserver.BaseRequestHandler):
            def handle(self) -> None:
                with suppress(OSError, IndexError):
                    self.request.settimeout(30.0)
                    outer.asked.append(self.request.recv(65536).split(b" ")[1].decode())
                    if callable(outer.send):
                        outer.send(self.request)
                    else:
                        self.request.sendall(outer.send)
                        self.request.shutdown(socket.SHUT_WR)

        self.server = socketserver.ThreadingTCPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}"
        threading.Thread(target=self.server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True).start()

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()
