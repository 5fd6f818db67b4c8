"""One drive as many loggers would write it: each is read right, or its owner is asked; none is sure and wrong.

The drive is made up: 25 minutes from a cold start, one reading a second, from 08:15:00 on 6 July 2027 at UTC-6. The
ways of writing it are those met in loggers' exports and in spreadsheets; common practice, no source.
"""

import gzip
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from planner.files.logpropose import describe_log
from planner.files.logs import read_log
from planner.model.errors import PlannerError

START = datetime(2027, 7, 6, 14, 15, tzinfo=UTC)  # 08:15 local
LOCAL_S = 8.25 * 3600.0
N = 1500
T = np.arange(N, dtype=float)
SPEED_KMH = np.round(60.0 + 35.0 * np.sin(T / 90.0), 1)
COOLANT_C = np.round(92.0 - 70.0 * np.exp(-T / 300.0), 1)
OIL_C = np.round(118.0 - 96.0 * np.exp(-T / 600.0), 1)
AMBIENT_C = np.round(22.0 + 4.0 * T / N, 1)
RPM = np.round(1900.0 + 700.0 * np.sin(T / 90.0))
HEADS = ("Speed", "Coolant Temp", "Oil Temp", "Ambient", "RPM")
UNITS = ("km/h", "°C", "°C", "°C", "rpm")
COLUMNS = (SPEED_KMH, COOLANT_C, OIL_C, AMBIENT_C, RPM)

Clock = Callable[[int], str]


def local(i: int, pattern: str = "%Y-%m-%d %H:%M:%S") -> str:
    return (START - timedelta(hours=6) + timedelta(seconds=i)).strftime(pattern)


def fahrenheit(celsius: np.ndarray) -> np.ndarray:
    return np.round(celsius * 1.8 + 32.0, 1)


def seconds(i: int) -> str:
    return str(i)


@dataclass(frozen=True, kw_only=True)
class Style:
    """How a log is written; the rest is the same for all."""

    time: str = "Time [s]"
    clock: Clock = seconds
    between: str = ","
    point: str = "."
    heads: tuple[str, ...] = tuple(f"{head} [{unit}]" for head, unit in zip(HEADS, UNITS, strict=True))
    columns: Sequence[np.ndarray | list[str]] = COLUMNS
    before: str = ""
    below: str = ""
    after: str = ""
    end: str = "\n"
    cell: str = "{}"
    coded: str = "utf-8"

    def text(self) -> str:
        lines = [self.between.join([self.time, *self.heads])]
        lines += [self.below] if self.below else []
        for i in range(N):
            cells = [str(column[i]).replace(".", self.point) for column in self.columns]
            lines.append(self.between.join([self.clock(i), *(self.cell.format(cell) for cell in cells)]))
        return self.before + self.end.join(lines) + self.end + self.after

    def data(self) -> bytes:
        return self.text().encode(self.coded)


US = tuple(f"{head} [{unit}]" for head, unit in zip(HEADS, ("mph", "°F", "°F", "°F", "rpm"), strict=True))
US_COLUMNS = (np.round(SPEED_KMH / 1.609344, 2), *map(fahrenheit, COLUMNS[1:4]), RPM)
DE = ("Geschwindigkeit [km/h]", "Kühlmitteltemperatur [°C]", "Öltemperatur [°C]", "Außentemperatur [°C]", "Drehzahl")
SEMI = {"between": ";", "point": ","}


def with_codes(column: np.ndarray, code: str, every: int = 50) -> list[str]:
    return [code if i % every == every - 1 else str(value) for i, value in enumerate(column)]


def instead(**columns: np.ndarray | list[str]) -> Sequence[np.ndarray | list[str]]:
    """The columns of the drive, some of them replaced."""
    names = ("speed", "coolant", "oil", "ambient", "rpm")
    return [columns.get(name, column) for name, column in zip(names, COLUMNS, strict=True)]


def sparse(text: str) -> str:
    """Each row refreshes one signal only."""
    head, *lines = text.splitlines()
    out = [head]
    for i, line in enumerate(lines):
        time, *cells = line.split(",")
        out.append(",".join([time, *(cell if n == i % len(cells) else "" for n, cell in enumerate(cells))]))
    return "\n".join(out) + "\n"


def long_form(between: str = ",", *, with_units: bool = True, mixed: bool = False) -> bytes:
    lines = [between.join(["time [s]", "signal", "value", *(["unit"] if with_units else [])])]
    for i in range(N):
        for name, unit, column in zip(HEADS, UNITS, COLUMNS, strict=True):
            value, told = column[i], unit
            if mixed and name == "Oil Temp" and i % 2:
                value, told = fahrenheit(column)[i], "°F"
            lines.append(between.join([str(i), name, str(value), *([told] if with_units else [])]))
    return "\n".join(lines).encode()


def date_apart(day: str, clock: str, head: str = "Date,Time") -> bytes:
    made = Style(time=head, clock=lambda i: f"{local(i, day)},{local(i, clock)}")
    return made.data()


def mm_ss(i: int) -> str:
    return f"{i // 60:02d}:{i % 60:02d}"


def with_units(between: str) -> list[list[str]]:
    return [[f"{v}{between}{unit}" for v in column] for column, unit in zip(COLUMNS, UNITS, strict=True)]


def thousands(rpm: np.ndarray) -> list[str]:
    return [f'"{value:,.0f}"' for value in rpm]


def grouped(rpm: np.ndarray, mark: str) -> list[str]:
    return [f"{value:,.0f}".replace(",", mark) for value in rpm]


def named(time: str, *heads: str) -> bytes:
    return Style(time=time, heads=heads, **SEMI).data()


def damaged(text: str, every: int = 40) -> bytes:
    """Some lines have lost a separator, as on a bad link."""
    lines = enumerate(text.splitlines(keepends=True))
    return "".join(line.replace(",", "", 1) if i % every == every - 1 else line for i, line in lines).encode()


def commented(text: str, mark: str) -> bytes:
    lines = enumerate(text.splitlines(keepends=True))
    return "".join(f"{mark} pause, 30, 20\n{line}" if i % 300 == 299 else line for i, line in lines).encode()


def leaping(column: np.ndarray, value: float, rows: Sequence[int]) -> list[str]:
    return [str(value) if i in rows else str(v) for i, v in enumerate(column)]


HOT_F = np.round(200.0 + 80.0 * T / N, 1)  # oil that climbs through 255 degF, and past it
HOT_F[900:960] = 255.0

RIGHT: dict[str, bytes] = {
    # what separates cells, decimals, line ends, characters
    "comma": Style().data(),
    "semicolon": Style(**SEMI).data(),
    "semicolon and points": Style(between=";").data(),
    "tab": Style(between="\t").data(),
    "tab and decimal commas": Style(between="\t", point=",").data(),
    "bar": Style(between="|").data(),
    "bar and spaces": Style(between=" | ").data(),
    "spaces behind commas": Style(between=", ").data(),
    "quoted cells": Style(cell='"{}"').data(),
    "quoted decimal commas": Style(cell='"{}"', point=",").data(),
    "line ends of another system": Style(end="\r\n").data(),
    "old line ends": Style(end="\r").data(),
    "mark of UTF-8": Style(coded="utf-8-sig").data(),
    "UTF-16 with its mark": Style(coded="utf-16").data(),
    "UTF-16 without a mark": Style(coded="utf-16-le").data(),
    "UTF-16 the other way round, without a mark": Style(coded="utf-16-be").data(),
    "western code page": Style(coded="cp1252").data(),
    "degree sign read twice": Style().text().replace("°", "Â°").encode(),
    "packed": gzip.compress(Style().data()),
    "thousands in quotes": Style(columns=instead(rpm=thousands(RPM))).data(),
    "trailing separator": Style(end=",\n").data(),
    "packed in two parts": gzip.compress(Style().data()[:30000]) + gzip.compress(Style().data()[30000:]),
    "thousands behind a narrow space": Style(**SEMI, columns=instead(rpm=grouped(RPM, "\u202f"))).data(),
    "thousands behind an apostrophe": Style(between=";", columns=instead(rpm=grouped(RPM, "'"))).data(),
    "thousands and units in the cells": Style(
        heads=HEADS, between=";", columns=[*with_units(" ")[:4], [f"{value} rpm" for value in grouped(RPM, " ")]]
    ).data(),
    "last line cut in a row": Style().data() + b"1500,6",
    "last line cut in its last cell": Style().data() + b"1500,60.0,91.5,110.1,25.9,19",
    "lines that lost a separator": damaged(Style().text()),
    # around the readings
    "lines before the heading": Style(before="Logger 7\nSerial: 12\n\nDriver,\n").data(),
    "remarks before the heading": Style(before="# made by a logger\n# file 3\n").data(),
    "heading again in the data": Style(after=Style().text().splitlines()[0] + "\n").data(),
    "summary at the end": Style(after="\nAverage,,,,,\nend of file\n").data(),
    "summary of numbers at the end": Style(after="\nMin,25,22,22,22,900\nMax,95,92,118,26,2600\n").data(),
    "remarks with numbers within": commented(Style().text(), "#"),
    "remarks behind percent signs": commented(Style().text(), "%"),
    "empty rows between": Style(end="\n\n").data(),
    "units in a second row": Style(heads=HEADS, time="Time", below="s," + ",".join(UNITS)).data(),
    "units in brackets in a second row": Style(heads=HEADS, time="Time", below=f"[s],[{'],['.join(UNITS)}]").data(),
    # units
    "round brackets": Style(heads=tuple(h.replace("[", "(").replace("]", ")") for h in Style().heads)).data(),
    "underscores": Style(time="time_s", heads=("speed_kmh", "coolant_C", "oil_temp_C", "ambient_C", "rpm")).data(),
    "miles and Fahrenheit": Style(heads=US, columns=US_COLUMNS).data(),
    "kelvin": Style(
        heads=("Speed [m/s]", "Coolant [K]", "Oil Temp [K]", "Ambient [K]", "RPM"),
        columns=(SPEED_KMH / 3.6, COOLANT_C + 273.15, OIL_C + 273.15, AMBIENT_C + 273.15, RPM),
    ).data(),
    "units in the cells": Style(heads=HEADS, columns=with_units(" ")).data(),
    "units in the cells without a space": Style(heads=HEADS, columns=with_units("")).data(),
    "French": named(
        "Temps [s]",
        "Vitesse [km/h]",
        "Température liquide de refroidissement [°C]",
        "Température huile moteur [°C]",
        "Température extérieure [°C]",
        "Régime moteur [tr/min]",
    ),
    "Spanish": named(
        "Tiempo [s]",
        "Velocidad [km/h]",
        "Temperatura del refrigerante [°C]",
        "Temperatura del aceite [°C]",
        "Temperatura exterior [°C]",
        "Revoluciones [rpm]",
    ),
    "Italian": named(
        "Tempo [s]",
        "Velocità [km/h]",
        "Temperatura acqua [°C]",
        "Temperatura olio [°C]",
        "Temperatura esterna [°C]",
        "Giri motore [giri/min]",
    ),
    "Dutch": named(
        "Tijd [s]",
        "Snelheid [km/h]",
        "Koelvloeistoftemperatuur [°C]",
        "Olietemperatuur [°C]",
        "Buitentemperatuur [°C]",
        "Toerental [rpm]",
    ),
    "Polish": named(
        "Czas [s]",
        "Prędkość [km/h]",
        "Temperatura płynu chłodzącego [°C]",
        "Temperatura oleju [°C]",
        "Temperatura zewnętrzna [°C]",
        "Obroty [obr/min]",
    ),
    "Japanese": named("時間 [s]", "車速 [km/h]", "冷却水温 [℃]", "油温 [℃]", "外気温 [℃]", "回転数 [rpm]"),
    "Russian": named(
        "Время [с]",
        "Скорость [км/ч]",
        "Температура ОЖ [°C]",
        "Температура масла [°C]",
        "Наружная температура [°C]",
        "Обороты [об/мин]",
    ),
    "German": Style(time="Zeit [s]", heads=DE, **SEMI).data(),
    # times
    "t [s]": Style(time="t [s]").data(),
    "milliseconds": Style(time="Time (ms)", clock=lambda i: str(1000 * i + 17)).data(),
    "microseconds": Style(time="time_us", clock=lambda i: str(1_000_000 * i)).data(),
    "minutes": Style(time="Time [min]", clock=lambda i: f"{i / 60:.4f}").data(),
    "hours": Style(time="Time (h)", clock=lambda i: f"{i / 3600:.6f}").data(),
    "clock": Style(time="Time", clock=lambda i: local(i, "%H:%M:%S")).data(),
    "clock with thousandths": Style(time="Time", clock=lambda i: local(i, "%H:%M:%S.250")).data(),
    "clock with thousandths behind a colon": Style(time="Time", clock=lambda i: local(i, "%H:%M:%S:250")).data(),
    "clock of twelve hours": Style(time="Time", clock=lambda i: local(i, "%I:%M:%S %p")).data(),
    "clock without leading zeros": Style(time="Time", clock=lambda i: f"8:{15 + i // 60}:{i % 60}").data(),
    "clock with a.m.": Style(time="Time", clock=lambda i: local(i, "%I:%M:%S a.m.")).data(),
    "clock with a narrow space": Style(time="Time", clock=lambda i: local(i, "%I:%M:%S\u202fAM")).data(),
    "a clock that rows of remarks lack": Style(
        time="Time", clock=lambda i: local(i, "%H:%M:%S"), after="Max,1,2\n"
    ).data(),
    "microseconds of 32 bits": Style(time="micros [us]", clock=lambda i: str((4 * 10**9 + 10**6 * i) % 2**32)).data(),
    "milliseconds of 32 bits": Style(time="millis [ms]", clock=lambda i: str((2**32 - 4000 + 1000 * i) % 2**32)).data(),
    "six digits": Style(time="UTC time", clock=lambda i: local(i, "%H%M%S")).data(),
    "elapsed minutes and seconds": Style(time="Elapsed", clock=mm_ss).data(),
    "elapsed, heading mm:ss": Style(time="Time (mm:ss)", clock=mm_ss).data(),
    "elapsed minutes and tenths of seconds": Style(time="Time", clock=lambda i: f"{mm_ss(i)}.0").data(),
    "minutes beyond a day's hours": Style(time="Time", clock=lambda i: f"{i // 60 + 40:02d}:{i % 60:02d}").data(),
    "elapsed hours": Style(time="Time", clock=lambda i: f"00:{mm_ss(i)}").data(),
    "ISO": Style(time="Timestamp", clock=lambda i: local(i)).data(),
    "ISO with T and Z": Style(time="Timestamp", clock=lambda i: local(i + 21600, "%Y-%m-%dT%H:%M:%SZ")).data(),
    "ISO with an offset": Style(time="Timestamp", clock=lambda i: local(i, "%Y-%m-%dT%H:%M:%S-06:00")).data(),
    "ISO without signs": Style(time="Timestamp", clock=lambda i: local(i, "%Y%m%dT%H%M%S")).data(),
    "ISO, hours of an offset": Style(time="Timestamp", clock=lambda i: local(i, "%Y-%m-%dT%H:%M:%S-06")).data(),
    "ISO, offset and UTC": Style(
        time="Timestamp", clock=lambda i: local(i + 21600, "%Y-%m-%d %H:%M:%S +0000 UTC")
    ).data(),
    "ISO as one number": Style(time="Timestamp", clock=lambda i: local(i, "%Y%m%d%H%M%S")).data(),
    "ISO without leading zeros": Style(time="Time", clock=lambda i: f"2027-7-6 8:{15 + i // 60}:{i % 60}").data(),
    "slashes, year first": Style(time="Timestamp", clock=lambda i: local(i, "%Y/%m/%d %H:%M:%S")).data(),
    "month by name": Style(time="Timestamp", clock=lambda i: local(i, "%d-%b-%Y %H:%M:%S")).data(),
    "month by name first": Style(time="Timestamp", clock=lambda i: f'"{local(i, "%b %d, %Y %H:%M:%S")}"').data(),
    "since 1970": Style(time="time", clock=lambda i: str(int(START.timestamp()) + i)).data(),
    "milliseconds since 1970": Style(time="time", clock=lambda i: str(1000 * (int(START.timestamp()) + i))).data(),
    "microseconds since 1970": Style(time="time", clock=lambda i: str(10**6 * (int(START.timestamp()) + i))).data(),
    "nanoseconds since 1970": Style(time="time", clock=lambda i: str(10**9 * (int(START.timestamp()) + i))).data(),
    "days of a spreadsheet": Style(time="Date/Time", clock=lambda i: f"{46574 + (LOCAL_S + i) / 86400:.8f}").data(),
    "date apart": date_apart("%Y-%m-%d", "%H:%M:%S"),
    "date apart, without signs": date_apart("%Y%m%d", "%H%M%S"),
    # readings that are none
    "minus forty": Style(columns=instead(coolant=with_codes(COOLANT_C, "-40.0"))).data(),
    "zeros": Style(columns=instead(coolant=with_codes(COOLANT_C, "0"), oil=with_codes(OIL_C, "0.0"))).data(),
    "zeros until the sensor wakes": Style(columns=instead(oil=["0"] * 30 + [str(v) for v in OIL_C[30:]])).data(),
    "127 degC": Style(columns=instead(oil=with_codes(OIL_C, "127"))).data(),
    "all ones": Style(columns=instead(speed=with_codes(SPEED_KMH, "65535"), oil=with_codes(OIL_C, "6553.5"))).data(),
    "words": Style(columns=instead(coolant=with_codes(COOLANT_C, "N/A"), oil=with_codes(OIL_C, "---"))).data(),
    "no number of a compiler": Style(columns=instead(coolant=with_codes(COOLANT_C, "1.#QNAN"))).data(),
    "85 before the first measurement": Style(columns=instead(oil=leaping(OIL_C, 85.0, [0, 1]))).data(),
    "leaps to an unknown code": Style(columns=instead(speed=with_codes(SPEED_KMH, "255.996"))).data(),
    "leaps to a plausible default": Style(columns=instead(oil=leaping(OIL_C, 20.0, range(700, 1500, 50)))).data(),
    "no speed in tunnels": Style(
        columns=instead(speed=leaping(SPEED_KMH, 0.0, [*range(90, 101), *range(120, 130)]))
    ).data(),
    "one signal a row": sparse(Style().text()).encode(),
    "one reading a row": long_form(),
    "one reading a row, semicolons": long_form(";"),
}
ASKED: dict[str, bytes] = {
    "no unit": Style(heads=HEADS).data(),
    "no unit, Fahrenheit": Style(heads=HEADS, columns=US_COLUMNS).data(),
    "no unit of time": Style(time="Time").data(),
    "minutes and seconds, or hours and minutes": Style(time="Time", clock=lambda i: mm_ss(i // 2)).data(),
    "day and month in any order": Style(time="Time", clock=lambda i: local(i, "%d/%m/%Y %H:%M:%S")).data(),
    "year of two digits": Style(time="Time", clock=lambda i: local(i, "%y/%m/%d %H:%M:%S")).data(),
    "date apart, six digits": date_apart("%d%m%y", "%H:%M:%S"),
    "share of a day": Style(time="Time", clock=lambda i: f"{(LOCAL_S + i) / 86400:.7f}").data(),
    "two drives in one file": Style(after="\n".join(Style().text().splitlines()[1:900]) + "\n").data(),
    "thousands or decimals": Style(heads=("RPM",), columns=(thousands(RPM + 1000),)).data(),
    "one signal in two units": long_form(mixed=True),
    "one reading a row without units": long_form(with_units=False),
    "two units in a column": Style(columns=instead(oil=[f"{v} {'CF'[i % 2]}" for i, v in enumerate(OIL_C)])).data(),
    "two columns for one": Style(heads=(*Style().heads, "GPS Speed [km/h]"), columns=(*COLUMNS, SPEED_KMH)).data(),
    "minutes without seconds": Style(time="Time", clock=lambda i: local(i, "%Y-%m-%d %H:%M")).data(),
    "a clock of twelve hours": Style(time="Time", clock=lambda i: local(i + 16000, "%I:%M:%S")).data(),
    "clock set to another zone": Style(time="Time", clock=lambda i: local(i + 3600 * (i > 700), "%H:%M:%S")).data(),
    "clock set by half an hour": Style(time="Time", clock=lambda i: local(i + 1800 * (i > 700), "%H:%M:%S")).data(),
    "clock that stands until it is set": Style(
        time="Time", clock=lambda i: "00:00:00" if i < 60 else local(i, "%H:%M:%S")
    ).data(),
    "two senders in turn": b"time [s],signal,value,unit\n"
    + "".join(f"{i},Oil Temp,{v},C\n" for i in range(N) for v in (OIL_C[i], COOLANT_C[i] - 5.0)).encode(),
    "a temperature that leaps for good": Style(
        columns=instead(coolant=[*COOLANT_C[:700].tolist(), *(OIL_C[700:] - 60.0).tolist()])
    ).data(),
    "seconds since 1980": Style(time="GPS time [s]", clock=lambda i: str(1498918500 + i)).data(),
    "tenths of seconds": Style(time="Time x10 [s]", clock=lambda i: str(10 * i)).data(),
    "elapsed since long before": Style(time="Time", clock=lambda i: f"00:{20 + i // 60}:{i % 60:02d}").data(),
    "a reading in two leaps": Style(columns=instead(oil=with_codes(OIL_C, "20.0", every=10))).data(),
    "points that may be thousands": Style(**SEMI, columns=instead(rpm=grouped(RPM + 1000, "·")))
    .text()
    .replace("·", ".")
    .encode(),
    "many rows without a time": Style(
        time="Time", clock=lambda i: local(i, "%Y-%m-%d %H:%M:%S") if i % 9 else ""
    ).data(),
    "cells that are no numbers": Style(columns=instead(coolant=with_codes(COOLANT_C, "about 90", every=3))).data(),
    "sensor that never answers": Style(columns=instead(oil=["0"] * N)).data(),
}
REFUSED: dict[str, bytes] = {
    "a web page": b"<!doctype html>\n<html><head><title>Sign in</title></head>\n<script>a=[1,2,3,4]</script></html>",
    "decimal commas between commas": Style(point=",").data(),
    "no heading": "\n".join(Style().text().splitlines()[1:]).encode(),
    "packed and cut short": gzip.compress(Style().data())[:-3000],
    "an archive": b"PK\x03\x04" + bytes(400),
    "a second heading with other columns": Style(after=Style(heads=US, columns=US_COLUMNS).text()).data(),
    "no times": "\n".join(line.partition(",")[2] for line in Style().text().splitlines()).encode(),
}


def file(folder: Path, name: str, data: bytes) -> Path:
    path = folder / ("log.csv.gz" if name.startswith("packed") else "log.csv")
    path.write_bytes(data)
    return path


TRUTH = {
    "speed": SPEED_KMH / 3.6,
    "coolant": COOLANT_C + 273.15,
    "engine_oil": OIL_C + 273.15,
    "ambient": AMBIENT_C + 273.15,
    "rpm": RPM * np.pi / 30.0,
}
WITHIN = {"speed": 0.01, "coolant": 0.06, "engine_oil": 0.06, "ambient": 0.06, "rpm": 0.01}


@pytest.mark.parametrize("name", RIGHT)
def test_read_right_and_sure(tmp_path: Path, name: str) -> None:
    path = file(tmp_path, name, RIGHT[name])
    found = describe_log(path).mapping
    assert found.unsure == ()
    assert set(found.channels) == set(TRUTH)
    log = read_log(path, found)
    assert log.duration_s == pytest.approx(N - 1, abs=1.1)
    few = name == "one signal a row"
    for channel, truth in TRUTH.items():
        series = log.channels[channel]
        assert len(series.value) > (N // 6 if few else 0.97 * N - 32)
        assert series.value == pytest.approx(np.interp(series.time_s, T, truth), abs=WITHIN[channel])
    if log.epoch_s is not None:
        assert log.epoch_s == pytest.approx(START.timestamp(), abs=1.0)
    if log.clock_s is not None:
        assert log.clock_s == pytest.approx(LOCAL_S, abs=1.0)
    assert log.day in (None, date(2027, 7, 6))
    if name.startswith(("ISO", "slash", "month", "days", "date apart")):  # the day is told
        assert log.epoch_s is not None or (log.day is not None and log.clock_s is not None)


@pytest.mark.parametrize("name", ASKED)
def test_asked(tmp_path: Path, name: str) -> None:
    path = file(tmp_path, name, ASKED[name])
    found = describe_log(path).mapping
    assert found.unsure != ()
    with pytest.raises(PlannerError, match="still marked unsure"):
        read_log(path, found)


@pytest.mark.parametrize("name", REFUSED)
def test_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(PlannerError, match=rf"log\.csv(\.gz)?: .*{'is a web page; download' if 'web' in name else ''}"):
        describe_log(file(tmp_path, name, REFUSED[name]))


@pytest.mark.parametrize("code", ["", "419", "6553.5"])
def test_a_real_255_fahrenheit_stays(tmp_path: Path, code: str) -> None:
    oil = with_codes(HOT_F, code, every=40) if code else HOT_F
    path = file(tmp_path, "hot", Style(heads=US, columns=(*US_COLUMNS[:2], oil, *US_COLUMNS[3:])).data())
    found = describe_log(path).mapping
    assert found.unsure == ()
    series = read_log(path, found).channels["engine_oil"]
    assert np.interp(930.0, series.time_s, series.value) == pytest.approx((255.0 - 32.0) / 1.8 + 273.15, abs=0.01)
    kept = np.ones(N, dtype=bool)
    if code:
        kept[39::40] = False
    assert series.value == pytest.approx((HOT_F[kept] - 32.0) / 1.8 + 273.15, abs=0.01)


def test_one_unit_is_proposed_for_all_temperatures(tmp_path: Path) -> None:
    """Coolant of 198 degF can only be Fahrenheit; then so is ambient, which could be either."""
    found = describe_log(file(tmp_path, "us", ASKED["no unit, Fahrenheit"])).mapping
    assert {found.channels[name].unit for name in ("coolant", "engine_oil", "ambient")} == {"degF"}


def test_two_drives_in_one_file_are_not_joined(tmp_path: Path) -> None:
    path = file(tmp_path, "two", ASKED["two drives in one file"])
    found = describe_log(path).mapping
    assert "jumps back to 0 s in row 1501" in found.time_unsure
    with pytest.raises(PlannerError, match="split it there"):
        read_log(path, replace(found, time_unsure=""))
