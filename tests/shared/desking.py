"""What tests of the desk share."""

import time
from collections.abc import Callable


def until(true: Callable[[], bool], seconds: float = 20.0) -> bool:
    """Wait for something that a thread does."""
    end = time.monotonic() + seconds
    while not true() and time.monotonic() < end:
        time.sleep(0.02)
    return true()
