"""Write the tables of `vehicle.toml` and of its factors in docs/formats.md from the code."""

import re
from dataclasses import fields
from typing import Any

import basics
from cars import ESTATE, read_class

from thermal.fluids import FACTORS
from thermal.vehicle_file import key_of, sections

PAGE = basics.DOCS / "formats.md"
BEGIN, END = "### [body]\n", "### [fit]\n"
NOTE = {
    "Body": "Mass and road load.",
    "Trailer": "The trailer; all zero without one.",
    "Engine": "Power, fuel and waste heat.",
    "Gearbox": "Ratios and losses from crankshaft to propeller shaft.",
    "Axle": "The final drive.",
    "Cooling": "Coolant, pump, thermostat, radiator, fan, A/C condenser.",
    "Lubricant": "Viscosities from the bottle or its data sheet. Without them, `sort` sets viscosities and limits.",
    "Cooler": "A cooler for one fluid.",
    "Links": "Heat exchange between the bodies, and from the exhaust.",
    "Node": "One lumped body and its outside surface.",
    "Limit": "Working range of one fluid.",
    "Tank": "The fuel tank.",
    "Steering": "Power steering. A car without hydraulic steering may omit this section and the four `power_steering`\n"
    "ones; with `kind` `none` the fluid does not appear.",
}


def groups() -> dict[type, list[str]]:
    """Sections by what they hold, in the order of the file."""
    found: dict[type, list[str]] = {}
    for name, kind in sections().items():
        found.setdefault(kind, []).append(name)
    return found


def unit_and_range(meta: Any) -> tuple[str, str]:
    """Unit and plausible range of a value."""
    if "options" in meta:
        return "word", ", ".join(meta["options"])
    unit = meta["unit"] if meta["unit"] != "dimensionless" else "number"
    return unit, f"{meta['low']:g} to {meta['high']:g}"


def examples(texts: list[str]) -> str:
    """Values of the sections in order, a common unit once."""
    units = {text.partition(" ")[2] for text in texts}
    if len(set(texts)) == 1:
        return texts[0]
    if len(units) == 1:
        return ", ".join(text.partition(" ")[0] for text in texts) + f" {units.pop()}".rstrip()
    return ", ".join(texts)


def tables() -> str:
    """All sections of a vehicle file, those of one kind in one table."""
    texts = {entry.key: entry.text for entry in read_class(ESTATE).entries}
    parts = []
    for kind, names in groups().items():
        rows = []
        for item in fields(kind):
            eg = examples([texts[f"{name}.{key_of(item)}"] for name in names])
            rows.append((f"`{key_of(item)}`", eg, *unit_and_range(item.metadata), item.metadata["doc"]))
        head = f"### {' '.join(f'[{name}]' for name in names)}\n\n{NOTE[kind.__name__]}\n\n"
        parts.append(head + basics.table(("key", "e.g.", "unit", "plausible", "what"), rows))
    return "\n\n".join(parts) + "\n\n"


def factors() -> str:
    """Rows of the factors that a fit can write."""
    return "\n".join(f"| `{name}` | {factor.words} |" for name, factor in FACTORS.items())


def page(text: str) -> str:
    """The page with its tables replaced."""
    text = re.sub(f"{re.escape(BEGIN)}.*?(?={re.escape(END)})", lambda _: tables(), text, flags=re.DOTALL)
    return re.sub(r"(?<=\n)\| `engine_heat` .*?(?=\n\| `correlation`)", lambda _: factors(), text, flags=re.DOTALL)


if __name__ == "__main__":
    PAGE.write_text(page(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
