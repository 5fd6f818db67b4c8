"""Trip folders made to keep the program busy, or to fill the memory: each is refused, or read, within bounds.

All are read in one process of its own, with a limit on memory and on processor time, which ends it if one does harm.
"""

import json
import os
import re
import resource
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from archives import repacked

ROOT = Path(__file__).parents[2]
MINIMAL = ROOT / "data" / "examples" / "minimal"
MEMORY = 1_000_000_000
PLACES = "place,name,lat,lon,elevation [ft]\n"
TWO = 'needles,"Needles, California",34.8481,-114.6141,495\nkingman,"Kingman, Arizona",35.1894,-114.0530,3335\n'
LEG = "from,to,distance [mi],speed [mph],profile,road\n"
TRIP = 'name = "N"\nstart = "needles"\nfinish = "kingman"\ndeparture = "2027-07-10 14:00"\n'
CAR = 'base = "estate-1990s-six"\n'
GPX = "<gpx><trk><trkseg>{}</trkseg></trk></gpx>"
SLOPE = "distance [m],elevation [m]\n" + "".join(f"{i},{151 + i * 0.00865:.3f}\n" for i in range(98_160))


def mass(text):
    return f'{CAR}[body]\nmass = {{value = "{text}", source = "x"}}\n'


def gpx(text):
    return {"legs.csv": f"{LEG}needles,kingman,61,62,a.gpx,\n", "a.gpx": text}


# Name: files of the folder, and what the refusal says.
BOMBS = {
    "heading of spaces": ({"places.csv": PLACES.strip() + ",x" + " " * 100_000 + "]\n" + TWO}, "2,000 characters"),
    "number of many digits": ({"places.csv": PLACES + TWO.replace("495", "1" * 100_000 + "x")}, "2,000 characters"),
    "many columns": ({"places.csv": PLACES.strip() + ",x" * 500_000 + "\n" + TWO}, "200 cells in a row"),
    "large cell": ({"places.csv": PLACES + TWO.replace("Needles,", "x" * 9_000_000)}, "2,000 characters"),
    "many rows": ({"places.csv": PLACES + TWO + "a,n,1,1,1\n" * 300_000}, "more than 20,000 rows"),
    "many faults": ({"places.csv": PLACES + TWO + "".join(f"P {i},n,x,x,x\n" for i in range(19_000))}, "more"),
    "long keys": (
        {
            "places.csv": PLACES + TWO + "".join(f"{'ab' * 27}{i},n,34.1,-114,1\n" for i in range(19_000)),
            "legs.csv": LEG + "".join(f"{'ba' * 27}{i},kingman,61,62,,\n" for i in range(20_000)),
        },
        "places of legs.csv are missing",
    ),
    "dotted key": ({"trip.toml": TRIP + "a" + ".a" * 400_000 + " = 1\n"}, "dots"),
    "dotted section": ({"vehicle.toml": CAR + "[a" + ' . "a"' * 100_000 + "]\n"}, "dots"),
    "deep list": ({"trip.toml": TRIP + "a = " + "[" * 400_000}, "nested too deep"),
    "deep list in the car": ({"vehicle.toml": CAR + "a = " + "[" * 400_000}, "nested too deep"),
    "large integer": ({"vehicle.toml": CAR + "a = " + "9" * 5000 + "\n"}, "4300 digits"),
    "quantity of spaces": ({"vehicle.toml": mass("1 a" + " " * 400_000 + "\\n x")}, "number and a unit"),
    "quantity of digits": ({"vehicle.toml": mass("1" * 400_000 + "!")}, "number and a unit"),
    "power of a power": ({"vehicle.toml": mass("1 kg*9**9**9")}, "number and a unit"),
    "powers": ({"vehicle.toml": mass("1 kg*9^9^9^9")}, "number and a unit"),
    "power in brackets": ({"vehicle.toml": mass("1 kg*9**(999999999)")}, "number and a unit"),
    "open brackets": ({"vehicle.toml": mass("1 kg*" + "(" * 34)}, "is not a valid mass"),
    "setting of digits": ({"trip.toml": TRIP + 'thin = "' + "1" * 900_000 + '!"\n'}, "number and a unit"),
    "many halts": ({"trip.toml": TRIP + '[[halt]]\nplace="kingman"\nduration="7 d"\n' * 20_000}, "maximum is 600"),
    "many keys": ({"trip.toml": TRIP + "".join(f"k{i}=1\n" for i in range(90_000))}, "unknown key"),
    "long route": ({"trip.toml": "route=[" + '"needles","kingman",' * 45_000 + "]\n"}, "maximum is 600"),
    "profile for each leg": (
        {"p.csv": SLOPE, "legs.csv": LEG + "".join(f"needles,kingman,61,62,p.csv,{i}\n" for i in range(900))},
        "2,000,000 points",
    ),
    "profile under many names": (
        {
            "p.csv": SLOPE * 12,
            "legs.csv": LEG + "".join(f"needles,kingman,61,62,{'./' * i}p.csv,{i}\n" for i in range(900)),
        },
        "80 MB",
    ),
    "GPX attribute": (gpx(GPX.format(f'<trkpt lat="{"1" * 9_000_000}" lon="1"/>')), "100,000 characters"),
    "GPX attributes": (gpx("<gpx " + " ".join(f"a{i}='1'" for i in range(900_000)) + "/>"), "100,000 characters"),
    "GPX depth": (gpx("<gpx>" + "<a>" * 9_000_000), "64 deep"),
    "GPX names": (gpx("<gpx>" + "".join(f"<a{i}/>" for i in range(1_000_000)) + "</gpx>"), "2,000 names"),
    "weather rows": (
        {"weather.csv": "place,date,high [degC],low [degC]\n" + "needlex,2027-07-06,1,0\n" * 49_000},
        "not in places.csv",
    ),
}


def workbook(folder, change, more):
    """Put a spreadsheet in place of the tables, parts of it changed or added."""
    from planner.files.folder import new_spreadsheet

    new_spreadsheet(folder, "minimal")
    path = folder / "trip.xlsx"
    path.write_bytes(repacked(path.read_bytes(), change, **more()))


SHEET = "xl/worksheets/sheet1.xml"
DOCTYPE = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;">]>'
# Name: parts changed, parts added (made when needed), and what the refusal says.
WORKBOOKS = {
    "spreadsheet that unpacks to gigabytes": ({}, lambda: {"xl/media/a.bin": bytes(300_000_000)}, "decompresses to"),
    "spreadsheet of many parts": ({}, lambda: {f"x{i}": b"" for i in range(2000)}, "decompresses to"),
    "spreadsheet with entities": (
        {SHEET: lambda part: part.replace(b"<worksheet", DOCTYPE + b"<worksheet")},
        dict,
        "document type",
    ),
    "spreadsheet nested deep": (
        {SHEET: lambda part: part.replace(b"</worksheet>", b"<a>" * 500_000 + b"</worksheet>")},
        dict,
        "nested",
    ),
    "spreadsheet of many texts": (
        {},
        lambda: {"xl/sharedStrings.xml": b"<sst>" + b"<si><t>a</t></si>" * 1_000_000 + b"</sst>"},
        "",
    ),
}


def read_all(folder):
    """Read every folder in a folder; print what each was told, and the memory used, as JSON."""
    from planner.files.folder import open_folder
    from planner.model.errors import TripError

    resource.setrlimit(resource.RLIMIT_AS, (2 * MEMORY, 2 * MEMORY))
    resource.setrlimit(resource.RLIMIT_CPU, (120, 125))
    told = {}
    for trip in sorted(folder.iterdir()):
        before = os.times().user
        try:
            open_folder(trip)
            said = "read"
        except TripError as exc:
            said = "\n".join(exc.problems)
        told[trip.name] = said, os.times().user - before
    print(json.dumps([told, most_memory()]))


def most_memory():
    """Most memory held; ru_maxrss would count what the process that started this one held."""
    status = Path("/proc/self/status").read_text(encoding="utf-8")
    return int(re.search(r"VmHWM:\s*(\d+) kB", status)[1]) * 1024


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bombs")
    for name, (files, _) in BOMBS.items():
        shutil.copytree(MINIMAL, folder / name)
        for file, text in files.items():
            (folder / name / file).write_text(text)
    for name, (change, more, _) in WORKBOOKS.items():
        workbook(folder / name, change, more)
    here = Path(__file__)
    paths = [str(here.parent), str(ROOT / "tests" / "shared")]
    code = f"import sys, pathlib; sys.path[:0] = {paths}; import {here.stem} as t; "
    code += f"t.read_all(pathlib.Path({str(folder)!r}))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    shutil.rmtree(folder)
    assert done.returncode == 0, done.stderr[-2000:]
    return json.loads(done.stdout)


@pytest.mark.parametrize("name", [*BOMBS, *WORKBOOKS])
def test_a_folder_made_to_do_harm_is_refused_with_the_limit(told, name):
    expected = (BOMBS | WORKBOOKS)[name][-1]
    said, seconds = told[0][name]
    assert expected in said, said[:500]
    assert seconds < 10.0  # what is asked of every one, however slow; most take a tenth of a second


def test_none_of_them_fills_the_memory(told):
    assert told[1] < MEMORY
