"""What must not get at the desk: other sites, other names, no token, too much, odd paths.

The attacks are those that the WHATWG Fetch standard (Sec-Fetch-Site, Origin) and RFC 6265bis (SameSite) are made
against, and DNS rebinding (Jackson et al., "Protecting browsers from DNS rebinding attacks", CCS 2007; from memory).
"""

import json

import pytest
from starlette.testclient import TestClient

PORT = 8123
ADDRESS = f"http://127.0.0.1:{PORT}"
PATHS = ("/", "/api/view", "/api/geometry", "/static/desk.js", "/out/trip.html", "/api/events")


@pytest.fixture
def stranger(minimal_desk):
    """A client that never had the token."""
    return TestClient(minimal_desk.guard, base_url=ADDRESS, follow_redirects=False)


@pytest.mark.parametrize("path", PATHS)
def test_without_the_cookie_nothing_is_told(stranger, path):
    assert stranger.get(path).status_code == 403
    assert "Needles" not in stranger.get(path).text


def test_a_wrong_token_gives_no_cookie(stranger):
    for token in ("", "x", "é", "a" * 500):
        answer = stranger.get("/", params={"token": token})
        assert answer.status_code == 403
        assert "set-cookie" not in answer.headers


def test_the_token_is_good_once_and_the_cookie_is_strict(minimal_desk, stranger):
    token = minimal_desk.guard.token
    first = stranger.get(f"/?token={token}")
    assert (first.status_code, first.headers["location"]) == (303, "/")
    cookie = first.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert token not in cookie
    again = TestClient(minimal_desk.guard, base_url=ADDRESS, follow_redirects=False)
    assert again.get(f"/?token={token}").status_code == 403


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        f"evil.example:{PORT}",
        "127.0.0.1",
        "127.0.0.1:80",
        f"[::1]:{PORT}",
        f"127.0.0.1:{PORT}.evil.example",
        "",
    ],
)
def test_another_host_is_refused_even_with_the_cookie(minimal_desk, host):
    """A name of an attacker that comes to point here carries its own Host."""
    answer = minimal_desk.client.get("/api/view", headers={"Host": host})
    assert answer.status_code == 421


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", f"http://localhost:{PORT}", "https://127.0.0.1:8123", None]
)
def test_another_origin_changes_nothing(minimal_desk, origin):
    headers = {"Origin": origin} if origin else {}
    if origin is None:
        del minimal_desk.client.headers["Origin"]
    body = {"revision": minimal_desk.desk.revision, "kind": "setting", "key": "name", "value": "taken"}
    answer = minimal_desk.client.post("/api/edit", json=body, headers=headers)
    assert answer.status_code == 403
    assert "taken" not in (minimal_desk.folder / "trip.toml").read_text()


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_another_site_reads_nothing(minimal_desk, site):
    answer = minimal_desk.client.get("/api/view", headers={"Sec-Fetch-Site": site})
    assert answer.status_code == 403


def test_a_form_of_another_kind_is_refused(minimal_desk):
    """What a page may send without asking first is no JSON."""
    body = json.dumps({"revision": 1, "kind": "setting", "key": "name", "value": "taken"})
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data"):
        assert minimal_desk.client.post("/api/edit", content=body, headers={"Content-Type": kind}).status_code == 400


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e/app.py",
        "/out/../trip.toml",
        "/out/..%2ftrip.toml",
        "/out/%2e%2e%2f%2e%2e%2fetc%2fpasswd",
        "/out/.grademargin.lock",
        "/static/C:%5Cboot.ini",
    ],
)
def test_a_path_in_a_name_leads_nowhere(minimal_desk, path):
    (minimal_desk.folder / "out").mkdir(exist_ok=True)
    answer = minimal_desk.client.get(path)
    assert answer.status_code == 404
    assert "departure" not in answer.text


def test_a_link_among_the_results_is_not_followed(minimal_desk, tmp_path):
    (tmp_path / "secret.html").write_text("secret")
    (minimal_desk.folder / "out").mkdir(exist_ok=True)
    (minimal_desk.folder / "out" / "trip.html").symlink_to(tmp_path / "secret.html")
    assert minimal_desk.client.get("/out/trip.html").status_code == 404


def test_a_huge_request_is_refused_before_it_is_read(minimal_desk):
    said = minimal_desk.client.post(
        "/api/edit", content=b"{}", headers={"Content-Type": "application/json", "Content-Length": "999999999"}
    )
    assert said.status_code == 413


def test_a_body_longer_than_said_is_cut_off(minimal_desk):
    """A chunked body says no length; it is counted as it comes."""

    def chunks():
        for _ in range(400):
            yield b"x" * 1000

    answer = minimal_desk.client.post("/api/edit", content=chunks(), headers={"Content-Type": "application/json"})
    assert answer.status_code == 413


@pytest.mark.parametrize("body", ["", "[]", "null", "{", '{"revision": "1"}', '{"revision": true}', "[" * 50_000])
def test_any_body_gives_a_sentence(minimal_desk, body):
    answer = minimal_desk.client.post("/api/edit", content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == 400
    assert answer.json()["problems"]


def test_what_is_answered_may_not_be_framed_sniffed_or_kept(minimal_desk):
    answer = minimal_desk.client.get("/")
    policy = answer.headers["content-security-policy"]
    for part in ("default-src 'none'", "script-src 'self'", "frame-ancestors 'none'", "form-action 'none'"):
        assert part in policy
    assert "unsafe" not in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["cache-control"] == "no-store"
    assert "server" not in answer.headers


def test_the_results_page_is_a_page_of_nobody(minimal_desk):
    """Its scripts run, but apart from the desk: it carries a stranger's text."""
    (minimal_desk.folder / "out").mkdir(exist_ok=True)
    (minimal_desk.folder / "out" / "trip.html").write_text("<p>page</p>")
    policy = minimal_desk.client.get("/out/trip.html").headers["content-security-policy"]
    assert policy.startswith("sandbox")
    assert "allow-same-origin" not in policy


def test_ten_files_of_no_meaning_leave_nothing(minimal_desk, tmp_path):
    """Uploads that are no tracks, or have a path for a name, are refused and removed."""
    for name in ("../../x.gpx", "a.exe", "", ".gpx", "x" * 300 + ".gpx", "a\x00b.gpx"):
        answer = minimal_desk.client.post("/api/track", params={"name": name[:100]}, content=b"no track")
        assert answer.status_code == 400, name
    assert sorted(p.name for p in minimal_desk.folder.iterdir()) == [
        "legs.csv",
        "places.csv",
        "trip.toml",
        "vehicle.toml",
    ]
    assert not (tmp_path / "x.gpx").exists()
