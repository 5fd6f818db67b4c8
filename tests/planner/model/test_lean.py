"""Packages hidden from what one thread imports."""

import importlib
import subprocess
import sys
import threading

import pytest

from planner.model.lean import without

ZONES = """
import sys
if "hide" not in sys.argv:
    import numba  # what is loaded already is used
from planner.model.clock import zone_of
found = [zone_of(lat, lon) for lat in range(-80, 81, 5) for lon in range(-180, 180, 5)]
print("numba" in sys.modules, *found)
"""


def test_a_package_is_hidden_from_one_thread_for_a_while():
    sys.modules.pop("wave", None)
    found = []
    with without("wave"):
        with pytest.raises(ModuleNotFoundError, match="wave is not loaded here"):
            importlib.import_module("wave")
        other = threading.Thread(target=lambda: found.append(importlib.import_module("wave")))
        other.start()
        other.join()
    assert found[0].__name__ == "wave"
    sys.modules.pop("wave")
    assert importlib.import_module("wave")


def test_time_zones_are_the_same_without_the_compiler():
    told = [
        subprocess.run([sys.executable, "-c", ZONES, word], capture_output=True, text=True, check=True).stdout.split()
        for word in ("hide", "show")
    ]
    assert [told[0][0], told[1][0]] == ["False", "True"]
    assert told[0][1:] == told[1][1:]
    assert len(set(told[0])) > 100
