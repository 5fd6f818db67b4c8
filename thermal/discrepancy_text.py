"""The model's error as a vehicle file keeps it: section [fit.discrepancy]."""

from collections.abc import Callable, Mapping
from typing import Any

from thermal.discrepancy import CLASS_ERROR, SENDER_SD_K, UNFITTED, Discrepancy, FluidError
from thermal.errors import UnitError, did_you_mean, shown
from thermal.fluids import FLUID_KEYS
from thermal.units import to_delta_k, to_si

_C0 = 273.15
_MOST_SENDER = 0.87  # of an sd of which a file does not say so: a quarter of its square, at least, is the model's
# Key of a fluid's table: field, how it is read, least and most in SI, example.
_FLUID: dict[str, tuple[str, Callable[[str], float], float, float, str]] = {
    "sd": ("sd_k", to_delta_k, 0.1, 60.0, "2.1 K"),
    "sender": ("sender_k", to_delta_k, 0.0, 60.0, "1.4 K"),
    "timing": ("timing_s", lambda text: to_si(text, "s"), 0.0, 3600.0, "60 s"),
    "weighs": ("weighs_k", to_delta_k, 0.1, 60.0, "3.4 K"),
    "lasting": ("lasting_s", lambda text: to_si(text, "s"), 60.0, 86400.0, "30 min"),
    "from": ("low_k", lambda text: to_si(text, "K"), 200.0, 500.0, "21 degC"),
    "to": ("high_k", lambda text: to_si(text, "K"), 200.0, 500.0, "97 degC"),
}
DRIVEN_KEYS: dict[str, tuple[str, Callable[[str], float], float, float, str]] = {
    "air_from": ("air_low_k", lambda text: to_si(text, "K"), 200.0, 340.0, "12 degC"),
    "air_to": ("air_high_k", lambda text: to_si(text, "K"), 200.0, 340.0, "24 degC"),
    "height_to": ("height_m", lambda text: to_si(text, "m"), -500.0, 9000.0, "850 m"),
    "load_to": ("load_w_per_kg", lambda text: to_si(text, "W/kg"), 0.0, 200.0, "15.2 W/kg"),
    "thermostat_sd": ("thermostat_sd_k", to_delta_k, 0.1, 30.0, "1.2 K"),
}


def discrepancy_table(error: Discrepancy) -> dict[str, Any]:
    """Section [fit.discrepancy] of a vehicle file, as `read_discrepancy` reads it; empty for a car never fitted.

    >>> discrepancy_table(UNFITTED)
    {}
    """
    if error == UNFITTED:
        return {}
    fluids = {
        name: {
            "sd": f"{round(f.sd_k, 2):g} K",
            "sender": f"{round(f.sender_k, 2):g} K",
            "timing": f"{f.timing_s:.0f} s",
            "weighs": f"{round(f.weighs_k, 2):g} K",
            "lasting": f"{f.lasting_s / 60.0:.0f} min",
            "from": f"{f.low_k - _C0:.1f} degC",
            "to": f"{f.high_k - _C0:.1f} degC",
        }
        for name, f in error.fluids.items()
    }
    return {
        "air_from": f"{error.air_low_k - _C0:.1f} degC",
        "air_to": f"{error.air_high_k - _C0:.1f} degC",
        "height_to": f"{error.height_m:.0f} m",
        "load_to": f"{error.load_w_per_kg:.2f} W/kg",
        "thermostat_sd": f"{error.thermostat_sd_k:.1f} K",
        **fluids,
    }


def read_discrepancy(table: Any, where: str, problems: list[str]) -> Discrepancy:
    """Check the section [fit.discrepancy]; the class's error where there is none, or where something is wrong.

    `table` is the section as TOML gives it, None where there is none; `where` is file and section, for messages.

    >>> found: list[str] = []
    >>> read_discrepancy({"air_to": "30 degC"}, "car.toml [fit.discrepancy]", found) == UNFITTED, len(found)
    (True, 4)
    """
    if table is None:
        return UNFITTED
    if not isinstance(table, Mapping):
        problems.append(f"{where}: must be a section; delete it, or copy one that `grademargin fit` wrote")
        return UNFITTED
    before = len(problems)
    for key in table:
        if key not in DRIVEN_KEYS and key not in FLUID_KEYS:
            hint = (
                did_you_mean(key, [*DRIVEN_KEYS, *FLUID_KEYS]) or f"; allowed: {', '.join([*DRIVEN_KEYS, *FLUID_KEYS])}"
            )
            problems.append(f"{where}: unknown key {shown(key)}{hint}")
    driven = _numbers({key: table.get(key) for key in DRIVEN_KEYS}, DRIVEN_KEYS, where, problems)
    fluids = {}
    for name in FLUID_KEYS:
        if name in table:
            one = _with_later(name, table[name])
            if not isinstance(one, Mapping) or set(one) != set(_FLUID):
                said = ", ".join(f'{key} = "{row[4]}"' for key, row in _FLUID.items())
                problems.append(f"{where} {name}: read {shown(one)}; write {{{said}}}")
                continue
            fluids[name] = _numbers(one, _FLUID, f"{where} {name}", problems)
            if fluids[name]["sender_k"] > fluids[name]["sd_k"]:
                said = f"read sender {shown(one['sender'])}, sd {shown(one['sd'])}"
                problems.append(f"{where} {name}: {said}; the sender's error is a part of sd: write one no larger")
    if len(problems) > before:
        return UNFITTED
    return Discrepancy(fluids={name: FluidError(**values) for name, values in fluids.items()}, **driven)


def _with_later(name: str, one: Any) -> Any:
    """Add to a fluid's table what files did not keep before: its sender's part, the class's timing, what weighs."""
    if not isinstance(one, Mapping) or "sd" not in one:
        return one
    try:
        sender_k = min(SENDER_SD_K, _MOST_SENDER * to_delta_k(one["sd"])) if isinstance(one["sd"], str) else 0.0
    except UnitError:
        sender_k = 0.0
    timing = f"{CLASS_ERROR[name].timing_s:.0f} s"
    return {"sender": f"{sender_k:g} K", "timing": timing, "weighs": one["sd"], **one}


def _numbers(
    table: Mapping[str, Any],
    kinds: Mapping[str, tuple[str, Callable[[str], float], float, float, str]],
    where: str,
    problems: list[str],
) -> dict[str, float]:
    """Read values with units, by field."""
    out = {}
    for key, (field, read, low, high, example) in kinds.items():
        text = table.get(key)
        try:
            value = read(text) if isinstance(text, str) else float("nan")
        except UnitError:
            value = float("nan")
        if not low <= value <= high:
            problems.append(f'{where} {key}: read {shown(text)}; write e.g. "{example}", in the plausible range')
        out[field] = value
    return out
