"""Examples from which the cases of targets_files.py begin: files of the shipped trips, and made-up ones."""

from contract import ROOT

EXAMPLES = ROOT / "data" / "examples"
LOG_NAME = "synthetic-2027-07-06"

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
TYPES = "application/vnd.openxmlformats-officedocument.spreadsheetml"
SHEET = f'<worksheet xmlns="{MAIN}"><sheetData>{{}}</sheetData></worksheet>'
PARTS = {
    "[Content_Types].xml": (
        '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
        '<Default Extension="xml" ContentType="application/xml"/>'
        f'<Override PartName="/xl/workbook.xml" ContentType="{TYPES}.sheet.main+xml"/></Types>'
    ).encode(),
    "_rels/.rels": (
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        f'<Relationship Id="r1" Type="{OFFICE}/officeDocument" Target="xl/workbook.xml"/></Relationships>'
    ).encode(),
    "xl/workbook.xml": (
        f'<workbook xmlns="{MAIN}" xmlns:r="{OFFICE}"><sheets><sheet name="places" sheetId="1" r:id="r1"/>'
        '<sheet name="legs" sheetId="2" r:id="r2"/><sheet name="notes" sheetId="3" r:id="r3"/></sheets></workbook>'
    ).encode(),
    "xl/_rels/workbook.xml.rels": (
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        + "".join(
            f'<Relationship Id="r{n}" Type="{OFFICE}/worksheet" Target="worksheets/sheet{n}.xml"/>' for n in (1, 2, 3)
        )
        + f'<Relationship Id="r4" Type="{OFFICE}/styles" Target="styles.xml"/></Relationships>'
    ).encode(),
    "xl/styles.xml": (
        f'<styleSheet xmlns="{MAIN}"><cellXfs count="2"><xf numFmtId="0"/><xf numFmtId="14"/></cellXfs></styleSheet>'
    ).encode(),
    "xl/worksheets/sheet3.xml": SHEET.format("").encode(),
}
CELLS = (
    b"place\tname\tlat\tlon\televation [ft]\nneedles\tNeedles\tn|34.8481\tn|-114.6141\tn|495\n"
    b"kingman\tKingman\tn|35.1894\tn|-114.0530\tn|3335\n@@\n"
    b"from\tto\tdistance [mi]\tspeed [mph]\tnote\nneedles\tkingman\tn|61\tn|62\ts|45000.5\n"
)
PARTS_TEXT = b"\n".join(
    b"@@ " + name.encode() + b"\n" + part.replace(b">", b">\n")
    for name, part in (
        *PARTS.items(),
        (
            "xl/worksheets/sheet1.xml",
            f'<worksheet xmlns="{MAIN}"><sheetData><row r="1"><c r="A1" t="str"><v>place</v></c><c r="B1" t="str">'
            '<v>name</v></c></row><row r="2"><c r="A2"><f>1+1</f><v>2</v></c></row></sheetData><mergeCells count="1">'
            '<mergeCell ref="A3:B4"/></mergeCells><hyperlinks><hyperlink ref="A1"/></hyperlinks></worksheet>'.encode(),
        ),
        ("xl/worksheets/sheet2.xml", SHEET.format('<row r="9"><c r="C9"><v>1</v></c></row>').encode()),
    )
)


def examples(pattern: str, most: int = 12, longest: int = 12_000) -> list[bytes]:
    """Files of the examples, the short ones first."""
    found = sorted((path.read_bytes() for path in EXAMPLES.glob(pattern)), key=lambda data: (len(data), data))
    return [data for data in found if len(data) <= longest][:most]


def whole_trip() -> bytes:
    """Every key of trip.toml."""
    return (
        b'name = "x"\nunits = "metric"\nstart = "needles"\nfinish = "kingman"\nvia = []\n'
        b'departure = "2027-07-10 14:00"\n'
        b'confidence = 0.9\nthin = "8 K"\nair_conditioning = true\nnights = []\nrest = ["kingman"]\nrisk = 0.05\n'
        b'finish_by = 2027-07-20T12:00:00\nprefer = {time = 1.0, cool = 0.5}\n[day]\ndriving = "6 h"\nstart = "07:30"\n'
        b'earliest = 06:00:00\nlodging_only = false\nbreak_every = "2 h"\nbreak = "15 min"\nbefore_sunset = "30 min"\n'
        b'daylight = true\navoid_heat = true\n[weather]\nnormals = "n.csv"\n[[halt]]\nplace = "needles"\n'
        b'duration = "20 min"\nengine = "idle"\n[[event]]\nplace = "kingman"\non = 2027-07-11\narrive_by = "18:00"\n'
        b'stay = "1 h"\n[[morning]]\non = "2027-07-11"\nat = "06:30"\n[[service]]\nitem = "oil"\nevery = "3000 mi"\n'
        b'since = "100 mi"\nmonths = 6\nsince_months = 1.5\nfluid = "engine_oil"\n'
    )


def track(points: int = 60) -> bytes:
    rows = "\n".join(
        f'<trkpt lat="{34.8481 + 0.3413 * n / points:.5f}" lon="{-114.6141 + 0.5611 * n / points:.5f}">'
        f"<ele>{151 + 865 * n / points:.1f}</ele><time>2027-07-10T14:00:00Z</time></trkpt>"
        for n in range(points + 1)
    )
    return (
        f'<?xml version="1.0"?>\n<gpx version="1.1"><trk><name>x</name><trkseg>\n{rows}\n</trkseg></trk></gpx>'.encode()
    )


def dense() -> bytes:
    rows = "\n".join(f'<rtept lat="{46 + n / 5000:.5f}" lon="8.5"><ele>{900 + n % 7}</ele></rtept>' for n in range(90))
    return f"<gpx><rte>\n{rows}\n</rte></gpx>".encode()


def logs() -> list[bytes]:
    whole = (EXAMPLES / "wilmington-astoria" / "logs" / f"{LOG_NAME}.csv").read_bytes()
    return [
        b"\n".join(whole.split(b"\n")[:30]),
        "logger v2\n\nZeit;Öl [°C];Geschwindigkeit [km/h];Drehzahl\n"
        "03.07.2027 10:00:00;80,5;50;2000\n03.07.2027 10:00:02;81,0;55;2100\n"
        "03.07.2027 10:00:04;81,5;60;2200\n".encode(),
        b"timestamp\tchannel\tvalue\tunit\n"
        + b"".join(
            f"2027-07-03T10:00:{n:02d}Z\t{name}\t{80 + n}\t{unit}\n".encode()
            for n in range(0, 20, 2)
            for name, unit in (("coolant", "C"), ("speed", "kph"), ("oil pressure", "psi"))
        ),
        b'"time","ECT (F)","VSS (mph)","Throttle (%)"\n'
        + b"".join(
            f'"{5 + n // 60:02d}:{n % 60:02d}:00 PM","{180 + n % 9}","{60 + n % 3}","{n % 100}"\n'.encode()
            for n in range(9)
        ),
        b"epoch,rpm,latitude,longitude,altitude [m],diff temp\n"
        + b"".join(f"{1814000000 + n},{1800 + n},46.1,8.{n},{500 + n},{60 + n}\n".encode() for n in range(9)),
    ]


def mapped() -> list[bytes]:
    times = ("0", "1000", "0,5", "23:59:58", "1814000000", "1814000000000")
    dated = ("2027-07-03 10:00:0", "03.07.2027 10:00:0", "07/03/2027 10:00:0")
    seeds = [
        bytes([i]) + b"".join(f"{t[:-1]}{n};50;190;40;300\n".encode() for n in range(8)) for i, t in enumerate(times)
    ]
    return seeds + [
        bytes([6 + i]) + b"".join(f"{t}{n}Z;5;9;4;3\n".encode() for n in range(8)) for i, t in enumerate(dated)
    ]


PLACES = b"""# Every column
place,name,lat,lon,elevation [m],kind,services,high [degC],low [degC],note
needles,"Needles, California",34.8481,-114.6141,151,town,fuel lodging food,42,27,start
kingman,Kingman,35.1894,-114.0530,1016,pass,,36,20,"hot, dry"
"""
LEGS = b"""from;to;distance [km];speed [km/h];road;two_way;open;profile;note;air_conditioning;heater;low_gear;flow
needles;kingman;98,2;90;I-40;yes;05-28..10-15;profile.csv;x;no;no;yes;town
needles;kingman;120;50;66;no;yes;;;;;;free
"""
FITTED = b"""base = "estate-1990s-six"
name = "taught"
[cooling]
airflow_share = {value = 0.9, source = "ASSUMED: insects"}
[gearbox]
ratios = {value = [3.5, 2.0, 1.4, 1.0], source = "plate"}
[fit]
airflow = {value = 0.9, sd = 0.05, source = "a log"}
radiator = {value = 1.1, sd = 0.1, source = "a log"}
oil_heat = {value = 1, sd = 0.2, source = "a log"}
[fit.correlation]
airflow = {radiator = -0.5, oil_heat = 0.2}
"""

KML = (
    b'<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark><name>Top</name><Point><coordinates>-104.487,'
    b"36.99</coordinates></Point></Placemark><Placemark><LineString><coordinates>-104.439,36.903,2036 -104.487,36.990,"
    b"2388 -104.495,37.012,2280 -104.501,37.169,1836</coordinates></LineString></Placemark></Document></kml>"
)
GEOJSON = (
    b'{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {"name": "Top"}, "geometry": '
    b'{"type": "Point", "coordinates": [-104.487, 36.99]}}, {"type": "Feature", "properties": null, "geometry": '
    b'{"type": "LineString", "coordinates": [[-104.439, 36.9, 2036], [-104.487, 37, 2388], [-104.501, 37.1, 1836]]}}]}'
)
