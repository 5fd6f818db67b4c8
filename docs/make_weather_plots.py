"""Draw the day's temperature curve against the hours of three weather files, for docs/weather.md.

Needs matplotlib and diyepw, which carries the files: python docs/make_weather_plots.py
"""

import csv
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path

import basics
import matplotlib.pyplot as plt
import numpy as np
from numpy.typing import NDArray

from planner.weather.expected import air_k, mountain_lag_h
from planner.weather.sources import into_next_day, solar_day

Floats = NDArray[np.float64]
# Name, part of the file's name, relief of the road within 25 km from rounded public elevations. [m]
STATIONS = (
    ("Mount Shasta, California", "Mount.Shasta", 490.0),
    ("Chicago O'Hare, Illinois", "OHare", 20.0),
    ("Northway, Alaska", "Northway", 150.0),
)
FIRST, DAYS = 10, 7  # the week shown
MEASURED, CURVE, FLAT = "#333333", "#c2410c", "#9ca3af"


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """July of one weather file: air and the curve through its daily highs and lows, both (day, hour), degC."""

    name: str
    elevation_m: float
    air: Floats
    curve: Floats

    def rms(self, guess: Floats) -> float:
        """Root mean square error over the inner days. [K]."""
        return float(np.sqrt(np.mean((guess - self.air)[1:-1] ** 2)))

    @property
    def flat(self) -> Floats:
        """Each day's mean of high and low, all day."""
        return np.repeat(0.5 * (self.air.min(axis=1) + self.air.max(axis=1)), 24).reshape(self.air.shape)


def read(name: str, part: str, relief_m: float) -> Station:
    """Read July from a weather file; its hours are local standard time and each stamp ends an hour."""
    path = next(Path(str(files("diyepw") / "data" / "tmy_epw_files")).glob(f"*{part}*.epw"))
    rows = list(csv.reader(path.read_text(encoding="latin-1").splitlines()))
    lat, lon, offset_h, elevation = map(float, rows[0][6:10])
    air = np.array([float(row[6]) for row in rows[8:] if row[1] == "7"]).reshape(31, 24)
    start = datetime(2027, 7, 1, tzinfo=UTC).timestamp() - offset_h * 3600.0
    middle = start + (np.arange(31 * 24).reshape(31, 24) + 0.5) * 3600.0
    number, share = into_next_day(solar_day(np.asarray(lon), middle) - start // 86400.0)
    day = np.clip(number.astype(int), 0, 30)
    after = np.clip(day + 1, 0, 30)
    low, high = ((1.0 - share) * daily[day] + share * daily[after] for daily in (air.min(axis=1), air.max(axis=1)))
    lag_h = mountain_lag_h(elevation_m=elevation, relief_m=relief_m)
    curve = air_k(epoch_s=middle, lat_deg=lat, lon_deg=lon, low_k=low, high_k=high, lag_h=lag_h)
    return Station(name=name, elevation_m=elevation, air=air, curve=curve)


def draw(station: Station, path: Path) -> None:
    """Draw a week hour by hour, and the mean July day."""
    figure, (left, right) = plt.subplots(1, 2, figsize=(9.0, 2.9), width_ratios=(2.2, 1.0), layout="constrained")
    week = slice(FIRST - 1, FIRST - 1 + DAYS)
    hours = FIRST + (np.arange(DAYS * 24) + 0.5) / 24.0
    left.plot(hours, station.air[week].ravel(), ".", ms=3.5, color=MEASURED, label="weather file, hourly")
    left.plot(hours, station.curve[week].ravel(), color=CURVE, lw=1.4, label="curve through the day's high and low")
    left.set(xlabel="July", ylabel="air [°C]", xlim=(FIRST, FIRST + DAYS))
    left.legend(fontsize=7, loc="upper left", ncols=2, frameon=False)
    left.set_ylim(top=left.get_ylim()[1] + 4.0)
    left.set_title(
        f"{station.name}, {station.elevation_m:.0f} m: error {station.rms(station.curve):.1f} K RMS in July, "
        f"flat mean {station.rms(station.flat):.1f} K",
        fontsize=9,
        loc="left",
    )
    clock = np.arange(24) + 0.5
    right.plot(clock, station.air.mean(axis=0), ".", ms=5, color=MEASURED)
    right.plot(clock, station.curve.mean(axis=0), color=CURVE, lw=1.4)
    right.plot(clock, station.flat.mean(axis=0), color=FLAT, lw=1.0, ls="--", label="flat mean")
    right.legend(fontsize=7, frameon=False)
    right.set(xlabel="local standard time [h]", xlim=(0, 24), xticks=range(0, 25, 6))
    right.set_title("mean of July", fontsize=9, loc="left")
    for axes in (left, right):
        axes.tick_params(labelsize=8)
        axes.spines[["top", "right"]].set_visible(False)
        axes.grid(alpha=0.25, lw=0.5)
    figure.savefig(path, dpi=110, metadata={"Software": None})
    plt.close(figure)


if __name__ == "__main__":
    plt.switch_backend("Agg")  # no screen needed
    for station, part, relief in STATIONS:
        draw(read(station, part, relief), basics.DOCS / "img" / f"day-curve-{part.replace('.', '-').lower()}.png")
