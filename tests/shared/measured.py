"""The measured car: four logged drives of one passenger car, as the model takes them, and what is fitted to them.

Automotive OBD-II Dataset, M. Weber, Karlsruhe Institute of Technology, 2023, DOI 10.35097/1130, CC BY 4.0. The logs lie
beside the project, not in it.
"""

from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
from cars import C0, read_class

from thermal import fit, kernel, log_drive
from thermal.drive import Drive
from thermal.fluids import N_BODY
from thermal.simulate import simulate
from thermal.vehicle import Vehicle

LOGS = Path(__file__).parents[3] / "shared" / "data" / "logs"
MEASURED_CLASS = "saloon-2000s-diesel"
DRIVES = {
    "2017-07-05": "kit_2017-07-05_S_KA_Normal.csv.gz",
    "2017-07-10": "kit_2017-07-10_KA_KA_Stau.csv.gz",
    "2017-07-13": "kit_2017-07-13_RT_KA_Stau_Messfehler.csv.gz",
    "2018-02-26": "kit_2018-02-26_RT_KA_Normal.csv.gz",
}
# Chosen for what it holds, not for its result: the only one of the four with a whole warm-up and no gap.
FITTED = "2017-07-05"
NAMES = ("engine_heat", "capacity", "thermostat", "airflow", "cooling.heater_w_per_k")
SPREADS = {"cooling.heater_w_per_k": 0.4}  # its size, and how far it was turned up
ELEVATION_M = 115.0  # the upper Rhine plain; the logs have no heights
READ_EVERY_S, STALE_S = 15.0, 5.0
GOAL_K = 3.0
WARM_C = 85.0  # warm-up ends at the first reading at or above this
COLUMNS = {
    "Engine Coolant Temperature": "coolant_c",
    "Engine RPM": "rpm",
    "Vehicle Speed Sensor": "speed_km_h",
    "Ambient Air Temperature": "air_c",
}


class Measured(NamedTuple):
    """One logged drive, as the model takes it."""

    drive: Drive
    readings: log_drive.Readings

    @property
    def coolant_c(self) -> np.ndarray:
        """The coolant's readings."""
        return self.readings.temp_k[:, kernel.COOLANT] - C0

    @property
    def warming(self) -> np.ndarray:
        """Rows before the coolant first reads WARM_C."""
        return np.arange(len(self.coolant_c)) < int(np.argmax(self.coolant_c >= WARM_C))


def read_measured(day: str, logs: Path, *, use_rpm: bool = False) -> Measured:
    """Read one log; with `use_rpm` the engine is off where it stopped at a standstill."""
    table = pd.read_csv(logs / DRIVES[day], index_col=False)
    table = table.rename(columns=lambda name: COLUMNS.get(name.partition(" [")[0], name))
    table = table.dropna(subset=["coolant_c", "speed_km_h", "air_c"])
    time_s = pd.to_timedelta(table["Time"]).dt.total_seconds().to_numpy()
    time_s = time_s - time_s[0]
    drive = log_drive.drive_from_log(
        time_s,
        table["speed_km_h"].to_numpy() / 3.6,
        table["air_c"].to_numpy() + C0,
        elevation_m=ELEVATION_M,
        engine_on=table["rpm"].fillna(0.0).to_numpy() > 300.0 if use_rpm else None,
    )
    at_s = np.arange(0.0, float(drive.duration_s.sum()), READ_EVERY_S)
    row = np.searchsorted(time_s, at_s, side="right") - 1
    temp = np.full((len(at_s), N_BODY), np.nan)
    fresh = at_s - time_s[row] <= STALE_S
    temp[fresh, kernel.COOLANT] = table["coolant_c"].to_numpy()[row[fresh]] + C0
    start = log_drive.start_from_readings(temp[0], float(drive.air_k[0]))
    return Measured(drive, log_drive.Readings(time_s=at_s, temp_k=temp, start_k=start))


def learn(day: str, measured: dict[str, Measured]) -> fit.Fit:
    """Fit the class to one drive."""
    one = measured[day]
    return fit.fit_factors(read_class(MEASURED_CLASS).vehicle, [one.drive], [one.readings], NAMES, spreads=SPREADS)


class Error(NamedTuple):
    """Root mean square error of the coolant over three parts of a drive. [K]"""

    warm_up: float
    plateau: float
    whole: float

    def __str__(self) -> str:
        first = "–" if np.isnan(self.warm_up) else f"{self.warm_up:.1f}"
        return f"{first} / {self.plateau:.1f} / {self.whole:.1f}"


def error_of(one: Measured, vehicle: Vehicle, factors: kernel.Factors | None = None) -> Error:
    """Forecast one drive and compare."""
    left = fit.residuals_k(vehicle, one.drive, one.readings, factors=factors)[:, kernel.COOLANT]
    warming = one.warming
    first = fit.rmse_k(left, warming) if warming.any() else float("nan")
    return Error(first, fit.rmse_k(left, ~warming), fit.rmse_k(left))


def to_80c(one: Measured, found: fit.Fit, *, start_c: float, air_c: float) -> tuple[float, float]:
    """Minutes to 80 degC and mean after it, on a measured drive's speeds in other weather; NaN where not reached."""
    flat = np.full_like(one.drive.air_k, air_c + C0)
    drive = replace(one.drive, air_k=flat, dew_k=flat - 10.0, heater_on=log_drive.heater_use(flat))
    start = np.full(N_BODY, start_c + C0)
    temps = simulate(drive, found.vehicle, factors=found.factors, start_k=start).temps_k[0, :, kernel.COOLANT] - C0
    if temps.max() < 80.0:
        return float("nan"), float("nan")
    first = int(np.argmax(temps >= 80.0))
    return float(np.cumsum(drive.duration_s)[first]) / 60.0, float(temps[first:].mean())
