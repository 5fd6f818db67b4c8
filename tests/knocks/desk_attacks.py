"""Attacks on a desk that really runs: requests by the ten thousand, huge and slow ones, kills while it saves.

Prints a table for docs/desk-check.md. Run: python tests/knocks/desk_attacks.py
"""

import json
import os
import resource
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import httpx2

import planner

REQUESTS, KILLS, SLOW = int(os.environ.get("REQUESTS", "10000")), 12, 150
Server = tuple[subprocess.Popen[str], str]


def started(folder: Path) -> Server:
    """A desk in a process of its own, and its first address."""
    call = [sys.executable, "-m", "planner", "desk", str(folder), "--no-browser", "--stay", "--json"]
    running = subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    said = ""
    while running.stdout is not None and not said.rstrip().endswith("}"):
        said += running.stdout.readline()
    return running, json.loads(said)["address"]


def client_of(address: str) -> httpx2.Client:
    """A client that has opened the page."""
    base = address.partition("/?")[0]
    client = httpx2.Client(base_url=base, headers={"Origin": base}, follow_redirects=True, timeout=60.0)
    client.get(address).raise_for_status()
    return client


def memory_mb(running: subprocess.Popen[str]) -> float:
    """Memory that a process holds. [MB]."""
    pages = int(Path(f"/proc/{running.pid}/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 1e6


def many(client: httpx2.Client, running: subprocess.Popen[str]) -> str:
    """Ten thousand requests, every other one without the cookie."""
    bare, before, answers = httpx2.Client(base_url=client.base_url, timeout=60.0), memory_mb(running), Counter()
    begin = time.perf_counter()
    for number in range(REQUESTS):
        answers[(client if number % 2 else bare).get("/api/view").status_code] += 1
    spent = time.perf_counter() - begin
    return f"{dict(answers)}; {1000 * spent / REQUESTS:.1f} ms each; memory {memory_mb(running) - before:+.0f} MB"


def huge(client: httpx2.Client) -> str:
    """More than the most, said and unsaid."""

    def chunks(count: int):
        for _ in range(count):
            yield b"x" * 1_000_000

    cookie = "; ".join(f"{name}={value}" for name, value in client.cookies.items())
    host = str(client.base_url).removeprefix("http://").strip("/")
    lines = ("POST /api/track?name=a.gpx HTTP/1.1", f"Host: {host}", f"Origin: http://{host}", f"Cookie: {cookie}")
    with socket.create_connection(("127.0.0.1", int(host.rpartition(":")[2])), timeout=30.0) as one:
        one.sendall("\r\n".join((*lines, f"Content-Length: {'9' * 12}", "", "")).encode())
        said = one.recv(100).split()[1].decode()
    try:
        unsaid = str(client.post("/api/track?name=a.gpx", content=chunks(80)).status_code)
    except httpx2.HTTPError as exc:
        unsaid = type(exc).__name__
    left = [p for p in Path(tempfile.gettempdir()).glob("grademargin-desk-*/*/*") if p.stat().st_size > 1_000_000]
    return f"length said: {said}; not said, 80 MB: {unsaid}; files left of it: {len(left)}"


def slow(client: httpx2.Client) -> str:
    """Connections that say nothing more, and a real request among them."""
    port, held = int(str(client.base_url).rpartition(":")[2].strip("/")), []
    for _ in range(SLOW):
        one = socket.create_connection(("127.0.0.1", port), timeout=5.0)
        one.sendall(b"POST /api/edit HTTP/1.1\r\n")
        held.append(one)
    begin = time.perf_counter()
    try:
        answer = str(client.get("/api/start").status_code)
    except httpx2.HTTPError as exc:
        answer = type(exc).__name__
    spent = time.perf_counter() - begin
    for one in held:
        one.close()
    time.sleep(0.5)
    return (
        f"a request meanwhile: {answer} after {spent:.2f} s; after they hang up: {client.get('/api/start').status_code}"
    )


def killed(folder: Path) -> str:
    """`kill -9` while edits come one after the other: every file whole, and the trip still read."""
    whole = 0
    for number in range(KILLS):
        running, address = started(folder)
        client = client_of(address)
        for turn in range(100):
            revision = client.get("/api/view").json()["revision"]
            if turn == 2:
                os.posix_spawn("/bin/sh", ["sh", "-c", f"sleep 0.{number + 1:02}; kill -9 {running.pid}"], os.environ)
            body = {"revision": revision, "kind": "leg", "leg": 0, "column": "speed", "value": str(40 + turn % 20)}
            try:
                client.post("/api/edit", json=body)
            except httpx2.HTTPError:
                break
        running.wait()
        planner.read(folder)
        whole += 1
    parts = [name for name in os.listdir(folder) if name.endswith(".part")]
    return f"{whole} of {KILLS}: every file whole, the trip read; parts left for the next run: {len(parts)}"


def main() -> None:
    """Print what happened."""
    with tempfile.TemporaryDirectory() as held:
        folder = Path(held) / "trip"
        planner.new(folder)
        running, address = started(folder)
        try:
            client = client_of(address)
            print(f"{REQUESTS:,} requests: {many(client, running)}", flush=True)
            print(f"huge: {huge(client)}", flush=True)
            print(f"{SLOW} slow connections: {slow(client)}", flush=True)
            running.send_signal(signal.SIGINT)
            print(f"Ctrl-C: exit code {running.wait(timeout=60)}", flush=True)
        finally:
            running.kill()
        print(f"kills: {killed(folder)}", flush=True)


if __name__ == "__main__":
    main()
