"""Services that lie, stall, never end or lead astray, and kept files that anybody may have written.

Plain sockets answer here, as no proper server sends such bytes.
"""

import gzip
import json
import math
import os
import pickle
import socket
import sqlite3
import time
import tracemalloc
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest
from loopback import BRIG, GOOD, Wire, http

from planner.weather.elevations import OpenMeteoElevations, parse_elevation, parse_elevations
from planner.weather.nws import parse_cell
from planner.weather.records import BadReply, NeverFetched, Refused, Unreachable
from planner.weather.store import load_forecasts, load_past_years, save_forecasts, save_past_years, store_folder

JSON = "application/json"


@pytest.fixture
def wire():
    """`wire(send)` starts a server that sends bytes, or calls a function, for every question; `wire.asked` has them."""
    servers = []

    def start(send):
        servers.append(Wire(send))
        servers[-1].asked = start.asked
        return servers[-1].url

    start.asked = []
    yield start
    for server in servers:
        server.close()


def chunked(size):
    head = b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\nConnection: close\r\n\r\n"
    return head + size + b"\r\n" + GOOD + b"\r\n0\r\n\r\n"


def ask(client, url, **more):
    return client.get(f"{url}/v1/elevation", {"latitude": "1"}, accept=JSON, **more)


def drip(part, head):
    def send(sock):
        sock.sendall(head)
        for _ in range(400):
            sock.sendall(part)
            time.sleep(0.05)

    return send


def reset(sock):
    sock.sendall(http(length=5000))
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\x00\x00\x00\x00\x00\x00\x00")
    sock.close()


def endless(sock):
    sock.sendall(b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\n\r\n[")
    while True:
        sock.sendall(b"1," * 32768)


def bomb(layers):
    """300 MB of spaces, packed a megabyte at a time so that making it takes little."""
    body = gzip.compress(b" " * 1_000_000) * 300
    if layers == 2:
        body = gzip.compress(body)
    return http(body, "Content-Encoding: " + ", ".join(["gzip"] * layers))


# --- transport ---


@pytest.mark.parametrize(
    "send",
    [
        pytest.param(drip(b" ", b"HTTP/1.1 200 OK\r\nContent-Length: 99999\r\n\r\n"), id="body"),
        pytest.param(drip(b"1\r\n \r\n", b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n"), id="chunks"),
        pytest.param(drip(b"X: y\r\n", b"HTTP/1.1 200 OK\r\n"), id="headers"),
        pytest.param(drip(b"H", b""), id="status line"),
        pytest.param(drip(b"HTTP/1.1 100 Continue\r\n\r\n", b""), id="interim answers"),
    ],
)
def test_an_answer_that_drips_is_given_up(wire, web, send):
    """Each part comes well within the time for one part; the whole would take 20 s."""
    url = wire(send)
    begun = time.monotonic()
    with pytest.raises(Unreachable, match=r"timed out|more than|closed the connection|cannot be reached"):
        ask(web(timeout_s=(0.5, 0.5), most_s=0.4), url)
    assert time.monotonic() - begun < 6.0


def test_a_server_that_never_begins_to_answer_is_waited_for_once(wire, web):
    """RFC 9110, 15.2: any number of 1xx answers may come before the final one."""
    url = wire(drip(b"HTTP/1.1 100 Continue\r\n\r\n", b""))
    client = web(head_s=0.6)
    for latitude in "123":
        with pytest.raises(Unreachable, match="timed out"):
            client.get(f"{url}/v1/elevation", {"latitude": latitude}, accept=JSON)
    assert len(wire.asked) == 1


@pytest.mark.parametrize("answer", ["endless", "bomb", "bombs in a bomb"])
def test_a_body_without_end_takes_little_memory(wire, web, answer):
    packed = b"" if answer == "endless" else bomb(1 if answer == "bomb" else 2)
    url = wire(endless if answer == "endless" else packed)
    client = web()
    tracemalloc.start()
    try:
        with pytest.raises(Unreachable, match="more than 8 MB"):
            ask(client, url)
        assert tracemalloc.get_traced_memory()[1] < 100_000_000  # of 300 MB
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize(
    ("send", "told"),
    [
        (reset, "cannot be reached|closed the connection"),
        (lambda sock: sock.close(), "cannot be reached"),
        (b"\x00\xff" * 500, "cannot be reached|closed the connection"),
        (http(length=10**9), "closed the connection|cannot be reached"),
        (http(b"[" * 200_000), "JSON"),
        (http(b"<html>Welcome</html>", "Content-Type: application/json"), "login"),
        (http(b'\xff\xfe{"elevation"'), "JSON"),
        (
            http(gzip.compress(GOOD)[:-12], "Content-Encoding: gzip"),
            "JSON|closed the connection",
        ),
        (http(GOOD, "Content-Encoding: gzip"), "closed the connection"),
        (http(b'{"elevation": ' + b"9" * 6000 + b"}"), "JSON"),
        (http(b"", status="304 Not Modified"), "unexpected format"),
        (chunked(b"-5"), "invalid HTTP|closed the connection"),
        (chunked(b"ffffffffffffffffffff"), "invalid HTTP|closed the connection"),
    ],
    ids=[
        *("reset", "closed", "noise", "cut short", "nested deep", "a web page", "no UTF-8", "half a gzip", "no gzip"),
        *("6,000 digits", "not modified", "a chunk below 0", "a chunk without end"),
    ],
)
def test_broken_answers_are_unreachable_and_say_so(wire, web, send, told):
    told_too = []
    url = wire(send)
    with pytest.raises(Unreachable, match=told):
        ask(web(timeout_s=(0.5, 0.5), progress=told_too.append), url)
    assert told_too == []  # the cache is not to blame


def test_wrong_content_type_is_no_matter(wire, web):
    url = wire(http(GOOD, "Content-Type: text/html; charset=nonsense"))
    assert ask(web(), url).data == {"elevation": [1755.0]}


def test_no_tls_where_it_is_expected(wire, web):
    url = wire(http()).replace("http:", "https:")
    with pytest.raises(Unreachable, match="certificate"):
        ask(web(timeout_s=(0.5, 0.5)), url)


@pytest.mark.parametrize("later", ["99999999999999", "Wed, 01 Jan 3000 00:00:00 GMT", "-1", "\xb2", "\x1b[2J"])
@pytest.mark.parametrize("status", ["429 Too Many", "503 Down"])
def test_no_retry_waits_for_as_long_as_a_service_says(wire, web, status, later):
    url = wire(http(b"{}", f"Retry-After: {later}", status=status))
    begun = time.monotonic()
    with pytest.raises(Refused) as caught:
        ask(web(), url)
    assert time.monotonic() - begun < 6.0
    assert str(caught.value).isprintable()
    assert later not in str(caught.value)


def test_words_of_a_refusal_cannot_command_a_terminal(wire, web):
    body = json.dumps({"reason": "\x1b]0;gone\x07\n\ud800" + "x" * 5000, "type": ["deep"], "title": {}}).encode()
    url = wire(http(body, status="400 Bad Request"))
    with pytest.raises(Refused) as caught:
        ask(web(), url)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 300


# --- where an answer leads ---


@pytest.mark.parametrize(
    "there",
    [
        "file:///etc/passwd",
        "http://127.0.0.1:1/v1/elevation",
        "//localhost/v1/elevation",
        "https://{here}/",
        "http://[",
        "http://x@{here}/v1/elevation",
        "http://127.0.0.1:99999999/",
        "/v1/\xe9levation",
        "ftp:x",
    ],
)
def test_no_answer_leads_to_another_server(wire, web, there):
    other = wire(http())
    url = wire(lambda sock: sock.sendall(moved))
    there = there.replace("127.0.0.1:1/", other.removeprefix("http://") + "/").replace("{here}", url.split("/")[2])
    moved = http(b"", f"Location: {there}", status="302 Found")
    told = []
    with pytest.raises(Unreachable, match="another server"):
        ask(web(progress=told.append), url)
    assert len(wire.asked) == 1
    assert told == []


def test_redirects_in_a_circle_end(wire, web):
    url = wire(http(b"", "Location: /v1/elevation?latitude=2", status="302 Found"))
    with pytest.raises(Unreachable, match="redirect loop"):
        ask(web(), url)
    assert len(wire.asked) <= 5


@pytest.mark.parametrize(
    "cell", ["../../x", "TOP/../..", "31@elsewhere", "３", "1_0", "-", "", 10**9, True, None, [], 3.0]
)
def test_a_grid_cell_is_a_number_and_leads_nowhere_else(cell):
    with pytest.raises(BadReply):
        parse_cell({"properties": {"gridId": "TOP", "gridX": cell, "gridY": 1}})
    with pytest.raises(BadReply):
        parse_cell({"properties": {"gridId": cell, "gridX": 1, "gridY": 1}})


# --- elevations ---


def test_elevations_that_cannot_be_are_none_and_a_short_list_is_told(wire, web):
    assert [parse_elevation(v) for v in (10**400, "1e999", "nan", 9001, True, [5], "9" * 5000)] == [None] * 7
    with pytest.raises(BadReply, match="no list of 2"):
        parse_elevations({"elevation": [1.0]}, 2)
    told = []
    url = wire(http(b'{"elevation": [1, 2, 3]}'))
    assert OpenMeteoElevations(url=url).elevations_m([BRIG], client=web(progress=told.append)) == (None,)
    assert "no list of 1 elevations" in told[0]


# --- the cache of answers ---


class Spring:
    """Makes a file when it is unpickled."""

    def __init__(self, path):
        self.path = path

    def __reduce__(self):
        return (os.mkdir, (str(self.path),))


@pytest.fixture
def cached(wire, web, tmp_path):
    """`cached("UPDATE ...", values)`: address of an answer in the cache, whose file is changed then."""

    def make(*statements):
        url = wire(http())
        with web() as client:
            ask(client, url)
        with closing(sqlite3.connect(tmp_path / "cache" / "http.sqlite", isolation_level=None)) as file:
            for text, values in statements:
                file.execute(text, values)
        return url

    return make


@pytest.mark.parametrize("table", ["responses", "redirects"])
def test_no_code_hides_in_the_cache(cached, web, tmp_path, table):
    sprung = tmp_path / "sprung"
    held = pickle.dumps(Spring(sprung))
    copy = f"INSERT INTO {table} (key, value) SELECT key, ? FROM held"
    steps = (("CREATE TEMP TABLE held AS SELECT key FROM responses", ()), (f"DELETE FROM {table}", ()), (copy, (held,)))
    assert ask(web(), cached(*steps)).data == {"elevation": [1755.0]}
    assert not sprung.exists()
    pickle.loads(held)  # it would have
    assert sprung.exists()


def row(**changes):
    now = datetime.now(UTC)
    plain = {
        "_content": "eyJlbGV2YXRpb24iOiBbMTc1NS4wXX0=",
        "created_at": now.isoformat(),
        "expires": (now + timedelta(days=1)).isoformat(),
        "headers": {"Content-Type": "application/json"},
        "request": {"headers": {}, "method": "GET", "url": "http://x/v1/elevation"},
        "status_code": 200,
        "url": "http://x/v1/elevation",
    }
    return json.dumps(plain | changes)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[" * 100_000,
        row(status_code=-1),
        row(headers={"Cache-Control": 5}),
        row(_content=None),
        row(_content="PGh0bWw+"),
        row(created_at=5),
        row(created_at="2026-07-01T12:00:00"),
        row(created_at="0001-01-01T00:00:00+00:00"),
        row(expires="9999-12-31T23:59:59-23:59"),
        b"\xff\xfe\x00",
    ],
)
def test_a_damaged_row_is_left_aside_and_said(wire, cached, web, tmp_path, text):
    url, told = cached(("UPDATE responses SET value = ?", (text,))), []
    with pytest.raises(NeverFetched):
        ask(web(offline=True, progress=told.append), url)
    assert "cached response is damaged" in told[0]
    assert ask(web(progress=told.append), url).data == {"elevation": [1755.0]}
    assert not ask(web(), url).stale
    assert len(wire.asked) == 2
    assert not list((tmp_path / "cache").glob("*corrupt*"))  # the other answers are kept


def test_a_sound_row_is_used(cached, web):
    """The row above without a fault, so that those tests test what they say."""
    url = cached(("UPDATE responses SET value = ?", (row(),)))
    assert ask(web(offline=True), url).data == {"elevation": [1755.0]}


# --- kept weather ---


@pytest.fixture
def trip(make_trip, road, tmp_path, user_folders):
    places = {
        "linn": {"lat_deg": 39.7456, "lon_deg": -97.0892, "elevation_m": 440.0},
        "brig": {"lat_deg": BRIG.lat_deg, "lon_deg": BRIG.lon_deg, "elevation_m": BRIG.elevation_m},
    }
    return make_trip([road("linn", "brig", 60.0)], places=places, folder=tmp_path / "trip")


def kept(trip, one, **changes):
    """Keep a forecast of which something is changed afterwards."""
    path = save_forecasts(trip, {"linn": (one,)})
    data = json.loads(path.read_text(encoding="utf-8"))
    (row,) = data["forecasts"]
    row |= {"fetched_s": time.time()} | {name: value for name, value in changes.items() if name in row}
    data |= {name: value for name, value in changes.items() if name not in row}
    path.write_text(json.dumps(data), encoding="utf-8")
    told = []
    return load_forecasts(trip, progress=told.append), told


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"air_k": [1173.0, 300.0]}, "weather.json is damaged"),
        ({"air_k": ["300", "300"]}, "weather.json is damaged"),
        ({"air_k": [300.0]}, "weather.json is damaged"),
        ({"air_k": None}, "weather.json is damaged"),
        ({"epoch_s": [2e9, 1e9]}, "weather.json is damaged"),
        ({"elevation_m": math.inf}, "weather.json is damaged"),
        ({"fetched_s": 4e9}, "weather.json is damaged"),  # it would beat every forecast until 2096
        ({"fetched_s": "now"}, "weather.json is damaged"),
        ({"source": "\x1b[2J"}, "weather.json is damaged"),
        ({"place": {"a": 1}}, "weather.json is damaged"),
        ({"forecasts": {"linn": []}}, "weather.json is damaged"),
        ({"forecasts": [5]}, "weather.json is damaged"),
        ({"lat_deg": 91.0}, "damaged"),
        ({"lon_deg": None}, "damaged"),
        ({"lon_deg": -53.0}, "km away; the place has moved since"),
        ({"lat_deg": 39.80}, "is for a point 6 km away"),
        ({"elevation_m": 8999.0}, "is for ground at 8999 m, the place at 440 m"),
        ({"elevation_m": 1439.0, "air_k": [330.0, 330.0]}, "implies air at 63 degC"),
    ],
)
def test_kept_weather_that_cannot_be_or_is_of_another_place_is_left_aside_and_said(trip, grid, changes, said):
    found, told = kept(trip, grid(), **changes)
    assert found == {}
    assert said in told[0]
    assert "run 'grademargin weather' again" in told[0]
    assert all(text.isprintable() for text in told)


def test_a_place_moved_within_its_cell_keeps_its_weather(trip, grid):
    found, told = kept(trip, grid(), lat_deg=39.7656, elevation_m=1400.0)  # 2.2 km away, 960 m higher
    assert found["linn"][0].air_k == (298.65, 298.65)
    assert told == []


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"high_k": [280.0]}, "typical.json is damaged"),
        ({"sd_k": [math.nan]}, "typical.json is damaged"),
        ({"years": [1, 10**400]}, "typical.json is damaged"),
        ({"elevation_m": 1e9}, "typical.json is damaged"),
        ({"fetched_s": 4e9}, "typical.json is damaged"),
        ({"days": []}, "typical.json is damaged"),
        ({"days": ["2027-07-06", "2027-07-06"]}, "typical.json is damaged"),
        ({"place": 5}, "typical.json is damaged"),
        ({"lon_deg": -36.0}, "the saved weather of past years for Brig is"),
        ({"elevation_m": 3000.0}, "the saved weather of past years for Brig is"),
    ],
)
def test_kept_past_years_that_cannot_be_or_are_of_another_place_are_left_aside_and_said(trip, archive, changes, said):
    one = archive(lambda _: None)
    save_past_years(trip, {"brig": one})
    assert load_past_years(trip) == {"brig": one}
    path = store_folder(trip) / "typical.json"
    data = json.loads(path.read_text(encoding="utf-8"))
    data["past_years"][0] |= changes
    path.write_text(json.dumps(data), encoding="utf-8")
    told = []
    assert load_past_years(trip, progress=told.append) == {}
    assert said in told[0]


def test_a_pipe_or_a_folder_in_place_of_the_kept_file(trip):
    """Opening a pipe that nobody writes to would wait for ever."""
    path = store_folder(trip) / "weather.json"
    path.parent.mkdir(parents=True)
    for make in (os.mkfifo, os.mkdir):
        make(path)
        told = []
        assert load_forecasts(trip, progress=told.append) == {}
        assert "move it away" in told[0]
        path.rmdir() if path.is_dir() else path.unlink()
