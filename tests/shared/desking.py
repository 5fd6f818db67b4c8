"""Helpers for tests of the desk."""

import threading
import time
from collections.abc import Callable

import httpx2


def until(true: Callable[[], bool], seconds: float = 20.0) -> bool:
    """Wait for something that a thread does."""
    end = time.monotonic() + seconds
    while not true() and time.monotonic() < end:
        time.sleep(0.02)
    return true()


def press_stop(address: str) -> bool:
    """Stand in for a browser: open the desk's page and press its Stop."""
    threading.Thread(target=_open_and_stop, args=(address,)).start()
    return True


def _open_and_stop(address: str) -> None:
    with httpx2.Client(follow_redirects=True) as client:
        for _ in range(200):
            try:
                if client.get(address).status_code == 200:
                    break
            except httpx2.ConnectError:
                time.sleep(0.05)
        client.post(f"{address.partition('/?')[0]}/api/stop", json={}, headers={"Origin": address.partition("/?")[0]})
