"""The cached client against a loopback server that fails in every way seen in the wild, and with broken cache files."""

import os
import re
import sqlite3
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta

import pytest

from planner.weather.records import NeverFetched, Refused, Unreachable

JSON = "application/json"
WHERE = {"latitude": "39.75", "longitude": "-105.2"}


def heights(client, services, **more):
    return client.get(f"{services.url}/v1/elevation", WHERE, accept=JSON, **more)


def test_second_question_comes_from_the_cache(services, web):
    client = web()
    first, second = heights(client, services), heights(client, services)
    assert first.data == second.data == {"elevation": [1755.0]}
    assert len(services.asked) == 1
    assert not second.stale
    assert "grademargin/" in services.headers[0]["User-Agent"]
    assert "Cookie" not in services.headers[0]
    assert "Authorization" not in services.headers[0]


def test_cache_outlives_the_client_and_age_is_counted_from_the_fetch(services, web):
    before = time.time()
    heights(web(), services)
    later = datetime.now(UTC) + timedelta(hours=7)
    answer = heights(web(now=later), services)
    assert len(services.asked) == 1
    assert before <= answer.fetched_s <= time.time()


def test_clock_set_back_gives_no_negative_age(services, web):
    heights(web(), services)
    early = datetime.now(UTC) - timedelta(hours=2)
    assert heights(web(now=early), services).fetched_s == early.timestamp()


def test_an_old_answer_is_used_when_the_service_fails(services, web, grow_old):
    told = []
    client = web(progress=told.append)
    good = heights(client, services)
    grow_old(client)
    faults = ("500", "503", "429", "html", "cut", "short", "array", "403", "404")
    for fault in faults:
        services.faults["/v1/"] = fault
        answer = heights(client, services)
        assert (fault, answer.data, answer.stale) == (fault, good.data, True)
        assert answer.fetched_s == pytest.approx(good.fetched_s - 3600.0, abs=0.5)  # the time of storing, not of now
    assert sum("did not respond; using its reply" in text for text in told) == len(faults)
    services.faults.clear()
    assert not heights(client, services).stale  # the next good reply replaces it


def test_an_old_answer_is_used_when_the_service_is_slow_and_it_is_not_asked_twice(services, web, grow_old):
    client = web(timeout_s=(0.5, 0.4))
    good = heights(client, services)
    grow_old(client)
    services.faults["/v1/"] = "slow"
    assert heights(client, services).fetched_s == pytest.approx(good.fetched_s - 3600.0, abs=0.2)
    assert len(services.asked) == 2


def test_renewed_answer_has_the_time_of_its_own_fetch(services, web, grow_old):
    """The server sends ETag and Last-Modified; revalidation would keep the time of the first fetch."""
    client = web()
    first = heights(client, services)
    grow_old(client)
    assert heights(client, services).fetched_s >= first.fetched_s
    assert "If-None-Match" not in services.headers[1]


@pytest.mark.parametrize(("fault", "tries"), [("500", 3), ("503", 3), ("429", 1), ("403", 1), ("404", 1)])
def test_bounded_retries_then_the_services_own_words(services, web, fault, tries):
    services.faults["/v1/"] = fault
    with pytest.raises(Refused) as caught:
        heights(web(), services)
    assert caught.value.status == int(fault)
    assert len(services.asked) == tries
    if fault == "429":
        assert "Minutely API request limit exceeded" in str(caught.value)
        assert "try again in 60 s" in str(caught.value)
    if fault == "500":
        assert caught.value.kind == "UnexpectedProblem"


def test_500_then_success(services, web):
    services.faults["/v1/"] = "500 once"
    assert heights(web(), services).data["elevation"] == [1755.0]
    assert len(services.asked) == 2


def test_closed_port_and_slow_service_are_unreachable(services, web):
    client = web(timeout_s=(0.5, 0.3))
    services.faults["/v1/"] = "slow"
    with pytest.raises(Unreachable, match="timed out"):
        heights(client, services)
    with pytest.raises(Unreachable, match="cannot be reached"):
        client.get("http://127.0.0.1:9/v1/elevation", WHERE, accept=JSON)


def test_offline_never_touches_the_network(services, web, grow_old):
    heights(web(), services)
    client = web(offline=True)
    grow_old(client)
    assert heights(client, services).stale
    with pytest.raises(NeverFetched):
        client.get(f"{services.url}/v1/elevation", {"latitude": "1", "longitude": "2"}, accept=JSON)
    with pytest.raises(NeverFetched):
        client.get(f"{services.url}/v1/other", {}, accept=JSON, again=True)
    assert len(services.asked) == 1


def test_life_in_the_cache_follows_the_service_within_bounds(services, web):
    """The server says 749 s of a forecast; of a point's grid cell as well, but that is kept a week."""
    client = web()
    for path in ("/points/39.7,-97.1", "/gridpoints/TOP/97,40"):
        client.get(services.url + path, accept=JSON)
    lives = {
        "points" if "points/39" in r.url and "grid" not in r.url else "grid": (r.expires - r.created_at).total_seconds()
        for r in client._session.cache.responses.values()
    }
    assert lives["grid"] == pytest.approx(749.0, abs=2.0)
    assert lives["points"] == pytest.approx(7 * 86400.0, abs=2.0)


# --- the cache file ---


def garbage(path):
    path.write_bytes(os.urandom(20_000))


def truncated(path):
    path.write_bytes(path.read_bytes()[:3000])


def overwritten(path):
    data = bytearray(path.read_bytes())
    data[4096:8192] = os.urandom(4096)
    path.write_bytes(bytes(data))


def other_schema(path):
    path.unlink()
    with sqlite3.connect(path) as file:
        file.execute("CREATE TABLE responses (something INTEGER)")
    file.close()


@pytest.mark.parametrize("damage", [garbage, truncated, overwritten, other_schema])
def test_damaged_cache_is_left_alone_and_done_without(services, web, tmp_path, damage):
    client = web()
    for i in range(30):
        client.get(f"{services.url}/v1/elevation", WHERE | {"n": str(i)}, accept=JSON)
    client.close()
    path = tmp_path / "cache" / "http.sqlite"
    with sqlite3.connect(path) as file:
        file.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    file.close()
    damage(path)
    before = path.read_bytes()
    for tail in ("-wal", "-shm"):
        path.with_name(path.name + tail).unlink(missing_ok=True)
    told = []
    client = web(progress=told.append)
    assert heights(client, services).data["elevation"] == [1755.0]
    assert heights(client, services).data["elevation"] == [1755.0]
    assert len(services.asked) == 31  # the second time from memory
    assert len(told) == 1
    assert "continuing without it. If this persists, delete it" in told[0]
    assert damage is other_schema or path.read_bytes() == before


def test_cache_damaged_while_open_is_done_without(services, web, tmp_path):
    told = []
    client = web(progress=told.append)
    heights(client, services)
    client._session.cache.responses._connection.execute("DROP TABLE responses")
    assert heights(client, services).data["elevation"] == [1755.0]


def test_empty_cache_file_and_missing_folder_are_fine(services, web, tmp_path):
    folder = tmp_path / "new" / "folder"
    heights(web(folder), services)
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty" / "http.sqlite").touch()
    told = []
    heights(web(tmp_path / "empty", progress=told.append), services)
    assert told == []


@pytest.mark.parametrize("while_open", [False, True])
def test_locked_cache_is_done_without(services, web, tmp_path, while_open):
    told = []
    client = web(progress=told.append)
    heights(client, services)
    holder = sqlite3.connect(tmp_path / "cache" / "http.sqlite", isolation_level=None)
    try:
        holder.execute("BEGIN EXCLUSIVE")
        client = client if while_open else web(progress=told.append)
        assert client.get(f"{services.url}/v1/elevation", WHERE | {"n": "1"}, accept=JSON).data["elevation"] == [1755.0]
    finally:
        holder.close()
    assert "cannot be used (database is locked); continuing without it" in told[0]


def test_cache_path_that_is_a_folder_or_below_a_file(services, web, tmp_path):
    (tmp_path / "a" / "http.sqlite").mkdir(parents=True)
    (tmp_path / "b").write_text("a file")
    for folder in (tmp_path / "a", tmp_path / "b"):
        told = []
        assert heights(web(folder, progress=told.append), services).data["elevation"] == [1755.0]
        assert "cannot be used (" in told[0]


READ_ONLY = """
import os, sys
from datetime import UTC, datetime
from pathlib import Path
import planner.weather.transport as web
if os.geteuid() == 0:
    os.setgid(65534); os.setuid(65534)
told = []
with web.Client(Path(sys.argv[1]), offline=False, now=datetime.now(UTC), progress=told.append) as client:
    where = {"latitude": "39.75", "longitude": "-105.2"}
    got = client.get(sys.argv[2] + "/v1/elevation", where, accept="application/json")
print(got.data["elevation"], told)
"""


def test_read_only_cache(services, web, tmp_path):
    client = web()
    heights(client, services)
    client.close()
    folder = tmp_path / "cache"
    for path in folder.iterdir():
        path.chmod(0o444)
    for path in (folder, *folder.parents[:3]):
        path.chmod(0o555)
    try:
        ran = subprocess.run(
            [sys.executable, "-c", READ_ONLY, str(folder), services.url], capture_output=True, text=True, timeout=60
        )
    finally:
        for path in (*folder.parents[:3], folder):
            path.chmod(0o755)
    assert ran.returncode == 0, ran.stderr
    assert "[1755.0]" in ran.stdout
    assert re.search(r"(readonly database|Permission denied)\); continuing without it", ran.stdout), ran.stdout


TWO = (
    READ_ONLY.partition("told =")[0].partition("if os")[0]
    + """
told = []
with web.Client(Path(sys.argv[1]), offline=False, now=datetime.now(UTC), progress=told.append) as client:
    for i in range(40):
        where = {"latitude": str(i), "longitude": sys.argv[3]}
        assert client.get(sys.argv[2] + "/v1/elevation", where, accept="application/json").data
print(told)
"""
)


def test_two_processes_share_one_cache(services, tmp_path):
    folder = tmp_path / "cache"
    running = [
        subprocess.Popen([sys.executable, "-c", TWO, str(folder), services.url, name], stdout=-1, stderr=-1, text=True)
        for name in ("1", "2")
    ]
    for one in running:
        out, err = one.communicate(timeout=60)
        assert (one.returncode, out.strip()) == (0, "[]"), err
    with sqlite3.connect(folder / "http.sqlite") as file:
        assert file.execute("SELECT count(*) FROM responses").fetchone() == (80,)
        assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    file.close()
