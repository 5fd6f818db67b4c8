"""Make `stations.bin`, the table of station normals, from a CSV of them.

Run by hand when the table changes, not at run time, with the program installed::

    python build.py NORMALS.CSV stations.bin

The CSV has a row a station: station_id, name, state, lat, lon, elev_m, flags, tmax_jan_c to tmax_dec_c, tmin_jan_c to
tmin_dec_c. What is written, packed with zlib: one line of JSON (how many stations, the period), then row by row for all
stations, sorted by number: latitude and longitude [0.0001 deg], height [0.1 m], distance to the sea [0.1 km] by the
coarse model of the ground, twelve highs and twelve lows [0.1 degC], each as differences to the value before, four bytes
each, lowest bytes of all first; and the lines `number<TAB>name, state`, UTF-8.
"""

import csv
import json
import sys
import zlib
from pathlib import Path

import numpy as np

from planner.ground.terrain import sea_km

MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")


def differences(values):
    """Whole numbers less the one before, their lowest bytes first."""
    steps = np.diff(np.rint(values).astype(np.int32).ravel(), prepend=np.int32(0)).astype("<i4")
    return np.ascontiguousarray(steps.view(np.uint8).reshape(-1, 4).T).tobytes()


def titled(name):
    """Write a station's capitals as a name is written; a few words of reports and bearings stay as they are."""
    small = {"AP": "airport", "INTL": "international", "MUNI": "municipal", "RGNL": "regional", "CO": "county"}
    return " ".join(small.get(word, word.capitalize() if len(word) > 2 else word) for word in name.split())


def main(source, target):
    """Write the file."""
    with open(source, encoding="utf-8", newline="") as file:
        rows = sorted(csv.DictReader(file), key=lambda row: row["station_id"])

    def column(*names):
        return np.array([[float(row[name]) for name in names] for row in rows]).T

    head = {"stations": len(rows), "period": "1981-2010"}
    parts = [
        json.dumps(head).encode() + b"\n",
        differences(column("lat") * 1e4),
        differences(column("lon") * 1e4),
        differences(column("elev_m") * 10),
        differences(np.array([sea_km(float(row["lat"]), float(row["lon"])) for row in rows]) * 10),
        differences(column(*(f"tmax_{month}_c" for month in MONTHS)) * 10),
        differences(column(*(f"tmin_{month}_c" for month in MONTHS)) * 10),
        "\n".join(f"{row['station_id']}\t{titled(row['name'])}, {row['state']}" for row in rows).encode(),
    ]
    Path(target).write_bytes(zlib.compress(b"".join(parts), 9))
    print(f"{len(rows)} stations")


if __name__ == "__main__":
    main(*sys.argv[1:])
