"""Writing JSON and result files atomically."""

import json
import math
import os
import re
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from planner.files import wholefile
from planner.model.errors import OutputError

_UNPRINTABLE = re.compile("[\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]")

PLAN_FILES = ("trip.html", "forecast.csv", "plan.json", "trip.gpx", "trip.ics", "trip.geojson")
"""What `plan` writes, in the order in which the files get their names."""


def to_json(value: object) -> str:
    r"""Write plain data as deterministic JSON without NaN.

    >>> to_json({"b": 1, "a": float("nan")})
    '{\n  "a": null,\n  "b": 1\n}\n'
    """
    made = json.dumps(_plain(value), indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False)
    return _UNPRINTABLE.sub(lambda found: f"\\u{ord(found[0]):04x}", made) + "\n"


def _plain(value: object) -> object:
    """Convert numpy numbers; non-finite values become None."""
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return float(value) if math.isfinite(value) else None
    return value


def write_files(folder: Path, files: dict[str, str]) -> None:
    """Write a set of generated files atomically."""
    try:
        wholefile.replace_files(folder, files)
    except OSError as exc:
        raise OutputError(_cannot(folder, exc)) from exc


def try_out(folder: Path, names: Iterable[str], *, trip: Path | None = None) -> None:
    """Check before the work that results can be written."""
    try:
        own = trip is not None and os.path.realpath(folder) == os.path.realpath(trip)
        if own or (trip is not None and os.path.exists(folder / "trip.toml")):
            which = "the trip folder itself" if own else "the folder of another trip"
            message = f"{folder}: is {which}, which contains your own files; name another folder with --out DIR"
            raise OutputError(message)
        wholefile.try_out(folder, names)
    except OSError as exc:
        raise OutputError(_cannot(folder, exc)) from exc


def _cannot(folder: Path, exc: OSError) -> str:
    return f"{folder}: cannot be written ({exc.strerror or exc}); free disk space, allow writing, or use --out DIR"
