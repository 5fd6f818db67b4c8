"""Make `towns.bin`, the table of towns, from two locally unpacked files.

Run by hand when the table changes, not at run time::

    python build.py CITIES500.TXT COUNTRIES.JSON towns.bin

The first is the GeoNames extract of populated places of 500 and more people, 19 columns parted by tabs; the second
names the countries by their two letters. See ../SOURCES.md for where both come from. What is written, packed with zlib:
one line of JSON (how many towns, their countries and states), then row by row for all towns, from south to north in
bands of two degrees and from west to east within one: latitude and longitude [0.001 deg] and height [m] as differences
to the town before, four bytes each, lowest bytes of all first; people as eight times their binary logarithm, one byte;
the number of the state or country, two bytes; and the names, UTF-8, one a line.
"""

import csv
import json
import sys
import zlib
from pathlib import Path

import numpy as np

# Parts of towns and places nobody lives in any more, by GeoNames' feature codes.
LEFT_OUT = {"PPLX", "PPLQ", "PPLH", "PPLW", "PPLCH"}
MOST_APART_M = 200  # a height entered by hand further off the elevation model's is taken for a slip
# GeoNames numbers Canada's provinces; these are the letters of the post (Canada Post, Addressing Guidelines).
PROVINCES = {"01": "AB", "02": "BC", "03": "MB", "04": "NB", "05": "NL", "07": "NS", "08": "ON", "09": "PE", "10": "QC"}
PROVINCES |= {"11": "SK", "12": "YT", "13": "NT", "14": "NU"}


def height_m(row):
    """Height of a town: as entered, or where that is missing or far off, the elevation model's."""
    entered, modelled = row[15], row[16]
    if entered and (not modelled or modelled == "-9999" or abs(int(entered) - int(modelled)) <= MOST_APART_M):
        return int(entered)
    return 0 if modelled in ("", "-9999") else int(modelled)


def region(row):
    """Country, and in the United States and Canada the state or province."""
    country, state = row[8], row[10]
    if country == "US":
        return f"US {state}"
    return f"CA {PROVINCES[state]}" if country == "CA" and state in PROVINCES else country


def differences(values):
    """Whole numbers less the one before, their lowest bytes first."""
    steps = np.diff(np.asarray(values, dtype=np.int32), prepend=np.int32(0)).astype("<i4")
    return np.ascontiguousarray(steps.view(np.uint8).reshape(-1, 4).T).tobytes()


def main(cities, countries, target):
    """Write the file."""
    with open(cities, encoding="utf-8", newline="") as file:
        rows = [row for row in csv.reader(file, delimiter="\t", quoting=csv.QUOTE_NONE) if row[7] not in LEFT_OUT]
    rows.sort(key=lambda row: (float(row[4]) // 2.0, float(row[5]), float(row[4])))
    regions = sorted({region(row) for row in rows})
    number = {name: n for n, name in enumerate(regions)}
    names = {code: entry["name"] for code, entry in json.loads(Path(countries).read_text("utf-8")).items()}
    head = {"towns": len(rows), "regions": regions, "countries": {r[:2]: names.get(r[:2], r[:2]) for r in regions}}
    people = np.maximum([int(row[14] or 0) for row in rows], 1)
    parts = [
        json.dumps(head, ensure_ascii=False).encode() + b"\n",
        differences([round(float(row[4]) * 1000) for row in rows]),
        differences([round(float(row[5]) * 1000) for row in rows]),
        differences([height_m(row) for row in rows]),
        np.round(8.0 * np.log2(people)).astype(np.uint8).tobytes(),
        np.array([number[region(row)] for row in rows], dtype="<u2").tobytes(),
        "\n".join(row[1] for row in rows).encode(),
    ]
    Path(target).write_bytes(zlib.compress(b"".join(parts), 9))
    print(f"{len(rows):,} towns")


if __name__ == "__main__":
    main(*sys.argv[1:])
