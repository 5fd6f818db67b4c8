"""Building a vehicle from TOML tables: a class, then the owner's values. Every value has a source."""

import functools
import re
import typing
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from types import MappingProxyType
from typing import Any

from thermal.errors import ParameterError, UnitError, did_you_mean, shown
from thermal.posterior import NOTHING, Posterior, read_posterior
from thermal.sorts import sorts_of, values_of
from thermal.units import like, to_delta_k, to_si, usual
from thermal.vehicle import OPTIONAL, Lubricant, Vehicle

_LONGEST_NAME = 200
_BREAKS = str.maketrans("-(),", "    ")
# Other words of the trade for what a choice offers.
_OTHER_WORDS = {
    "petrol": ("gas", "gasoline"),
    "natural": ("naturally aspirated", "na", "none"),
    "turbo": ("turbocharged", "turbocharger"),
    "automatic": ("auto",),
    "manual": ("stick", "stick shift", "standard"),
    "viscous": ("clutch", "fan clutch", "viscous clutch"),
    "none": ("no",),
    "liquid": ("water", "coolant"),
    "hydraulic": ("power",),
}
_OTHER_KEYS = {"final_drive": "ratio"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One value as written: location, text, source, and whether it is assumed."""

    key: str
    text: str
    source: str
    doc: str

    @property
    def assumed(self) -> bool:
        """Whether the value is based on judgement only."""
        return self.source.upper().startswith("ASSUMED")


@dataclass(frozen=True, slots=True, kw_only=True)
class VehicleFile:
    """A vehicle, the sources of its numbers, and the posterior from logs."""

    vehicle: Vehicle
    base: str
    about: str = ""
    entries: tuple[Entry, ...]
    overridden: frozenset[str]
    spread: Posterior = NOTHING


@functools.cache
def sections() -> Mapping[str, type]:
    """Sections of a vehicle file and the dataclass of each, in file order.

    >>> list(sections())[:3]
    ['body', 'trailer', 'engine']
    """
    hints = typing.get_type_hints(Vehicle)
    return MappingProxyType({item.name: hints[item.name] for item in fields(Vehicle) if item.name != "name"})


def key_of(item: Any) -> str:
    """Key in the file for a field declared with `quantity` or `choice`: its name without the unit."""
    unit = str(item.metadata.get("unit", "")).removeprefix("delta ").lower().replace("**", "").replace("/", "_per_")
    return str(item.name).removesuffix("_nm" if unit == "n*m" else f"_{unit.replace('*', '_')}")


def near_class(word: str, classes: Mapping[str, str]) -> str:
    """Suggest the class that shares most words with an unknown one, two at least, else by its name or description.

    >>> near_class("wagon-1990s-six", {"estate-1990s-six": "", "saloon-1970s-six": ""})
    "; did you mean 'estate-1990s-six'?"
    >>> near_class("wagon", {"estate": "estate (wagon), V8", "van": "van"})
    "; did you mean 'estate' (estate (wagon), V8)?"
    """
    words = set(word.casefold().replace("-", " ").split())
    best = max(classes, key=lambda name: len(words & set(name.split("-"))), default="")
    if len(words & set(best.split("-"))) > 1:
        return f"; did you mean {best!r}?"
    told = {name: f"{name}-{about}".casefold().translate(_BREAKS).split() for name, about in classes.items()}
    near = [f"{name!r} ({classes[name]})" for name, said in told.items() if words & set(said)]
    return did_you_mean(word, classes) or (f"; did you mean {' or '.join(near[:3])}?" if near else "")


def vehicle_from(
    own: Mapping[str, Any], *, file: str, classes: Sequence[str], class_tables: Callable[[str], Mapping[str, Any]]
) -> VehicleFile:
    """Merge an owner's values, as TOML data, over their class, whose tables `class_tables` gives; check the result.

    Raises `ParameterError` with every problem, one sentence a line.
    """
    base = own.get("base")
    if base is None:
        message = f"{file}: key 'base' is missing; name one of the classes: {', '.join(classes)}"
        raise ParameterError(message)
    if base not in classes:
        hint = near_class(str(base), {name: str(class_tables(name).get("about", "")) for name in classes})
        message = f"{file}: base {shown(base)} is not a class{hint}; classes: {', '.join(classes)}"
        raise ParameterError(message)
    tables = {key: dict(held) if isinstance(held, dict) else held for key, held in class_tables(str(base)).items()}
    title = " ".join(str(own.get("name") or tables.get("name", base)).split())[:_LONGEST_NAME]
    about = str(tables.pop("about", ""))
    tables.pop("name", None)
    problems: list[str] = []
    spread = read_posterior(own["fit"], f"{file} [fit]", problems) if "fit" in own else NOTHING
    changed = {section: table for section, table in own.items() if section not in ("base", "name", "fit")}
    problems += [*_merge(tables, changed, file), *_fill(tables, changed, file)]
    values, entries = _values(tables, file, problems)
    if problems:
        raise ParameterError("\n".join(problems))
    overridden = frozenset(f"{s}.{k}" for s, table in changed.items() if isinstance(table, dict) for k in table)
    try:
        vehicle = Vehicle(name=title, **{section: sections()[section](**held) for section, held in values.items()})
    except ParameterError as exc:  # values that do not fit together
        message = f"{file}: {exc}{_named(str(exc), entries, overridden)}"
        raise ParameterError(message) from exc
    return VehicleFile(
        vehicle=vehicle, base=base, about=about, entries=tuple(entries), overridden=overridden, spread=spread
    )


def _named(rule: str, entries: Sequence[Entry], own: Collection[str]) -> str:
    """Values of a section that a broken rule names, and which are the class's: what the owner did not write."""
    section, _, words = rule.partition(":")
    said = [entry for entry in entries if entry.key in {f"{section}.{key}" for key in re.findall(r"\w+", words)}]
    listed = [f"{e.key.partition('.')[2]} {e.text}{'' if e.key in own else ' (from the class)'}" for e in said]
    return f"; read {', '.join(listed)}" if listed else ""


def _merge(tables: dict[str, Any], own: dict[str, Any], file: str) -> Iterator[str]:
    """Merge the owner's values over the class; report unknown keys."""
    lost = _headless(own)
    if lost:
        yield f"{file}: {_lost_header(lost, own)}"
    for section, table in own.items():
        if section in lost:
            continue
        if section not in sections():
            yield f"{file}: unknown section [{shown(section)[1:-1]}]{_section_hint(section)}"
        elif not isinstance(table, dict):
            yield f"{file}: {section!r} must be a section: write [{section}] and its values below"
        else:
            keys = [key_of(item) for item in fields(sections()[section])]
            for key, value in table.items():
                if key in keys:
                    tables.setdefault(section, {})[key] = value
                else:
                    hint = did_you_mean(_OTHER_KEYS.get(str(key), str(key)), keys) or f"; keys: {', '.join(keys)}"
                    yield f"{file} [{section}]: unknown key {shown(key)}{hint}"


def _section_hint(word: str) -> str:
    """Name the sections that have such a key, or the nearest section, or all."""
    homes = [name for name, kind in sections().items() if word in {key_of(item) for item in fields(kind)}]
    if homes:
        return f"; {word} settings are under [{'] or ['.join(homes)}]"
    return did_you_mean(word, sections()) or f"; sections: {', '.join(sections())}"


def _headless(own: dict[str, Any]) -> list[str]:
    """Keys of sections that stand in no section."""
    keys = {key_of(item) for kind in sections().values() for item in fields(kind)}
    return [
        key
        for key, held in own.items()
        if key in keys - set(sections()) and not (isinstance(held, dict) and held and "value" not in held)
    ]


def _lost_header(lost: list[str], own: dict[str, Any]) -> str:
    """Ask for the section header missing above some keys."""
    near = [
        f"[{name}]"
        for name, kind in sections().items()
        if name not in own and set(lost) <= {key_of(item) for item in fields(kind)}
    ]
    stand = "stands" if len(lost) == 1 else "stand"
    hint = f"is {' or '.join(near[:3])} missing above?" if near else "write a section such as [body] above"
    return f"{', '.join(lost)} {stand} in no section; {hint}"


def _fill(tables: dict[str, Any], own: dict[str, Any], file: str) -> Iterator[str]:
    """Fill in viscosities and limits of the named sorts of oil, below the owner's own values."""
    automatic = tables.get("gearbox", {}).get("kind", {}).get("value") == "automatic"
    for part in [name for name, kind in sections().items() if kind is Lubricant]:
        table = own.get(part)
        given = table.get("sort") if isinstance(table, dict) else None
        name = given.get("value") if isinstance(given, dict) else None
        if not isinstance(name, str):
            continue
        allowed = sorts_of(part, automatic=automatic)
        if name not in allowed:
            yield f"{file} [{part}] sort: read {shown(name)}; this part takes: {', '.join(allowed)}"
            continue
        for section, values in values_of(part, allowed[name]).items():
            held = own.get(section)
            mine = held if isinstance(held, dict) else {}
            source = f"typical {allowed[name].words}; common practice"
            for key in (key for key in values if key not in mine):
                tables.setdefault(section, {})[key] = {"value": values[key], "source": source}


def _values(tables: dict[str, Any], file: str, problems: list[str]) -> tuple[dict[str, dict[str, Any]], list[Entry]]:
    """Turn every table entry into an SI value, collecting problems."""
    values: dict[str, dict[str, Any]] = {}
    entries: list[Entry] = []
    for section, kind in sections().items():
        if section in _may_be_left_out(tables):
            continue
        values[section] = {}
        for item in fields(kind):
            key, where = key_of(item), f"{file} [{section}] {key_of(item)}"
            given = tables.get(section, {}).get(key)
            try:
                values[section][item.name], entry = _one(given, item, f"{section}.{key}")
                entries.append(entry)
            except (ParameterError, UnitError) as exc:
                problems.append(f"{where}: {exc}")
    return values, entries


def _may_be_left_out(tables: dict[str, Any]) -> set[str]:
    """Absent sections that are not required, as the car has no such part."""

    def needed(switch: str, key: str, word: str) -> bool:
        held = tables.get(switch, {}).get(key)
        return isinstance(held, dict) and held.get("value") == word

    return {section for section, switch in OPTIONAL.items() if section not in tables and not needed(*switch)}


def _one(given: Any, item: Any, key: str) -> tuple[Any, Entry]:
    """Read one `{value = ..., source = ...}`."""
    if not isinstance(given, dict) or set(given) != {"value", "source"}:
        value = given.get("value", "...") if isinstance(given, dict) else given
        said = shown(value).replace("'", '"')
        message = (
            f'read {shown(given)}; write it as {{value = {said}, source = "..."}}, with source saying how you know'
        )
        raise ParameterError(message)
    source = " ".join(str(given["source"]).split())
    if not source:
        message = "the source is empty; write how you know, or 'ASSUMED: why'"
        raise ParameterError(message)
    value = given["value"]
    text = ", ".join(map(str, value)) if isinstance(value, list) else str(value)
    return _read(value, item.metadata), Entry(key=key, text=text, source=source, doc=item.metadata["doc"])


def _read(value: Any, meta: Any) -> Any:
    """Convert one written value to its field, and check its range."""
    if "options" in meta:
        value = _word(value, (*meta["options"], *meta["refused"]))
        if value in meta["refused"]:
            raise ParameterError(meta["refused"][value])
        if value not in meta["options"]:
            message = f"read {shown(value)}; allowed: {', '.join(meta['options'])}"
            raise ParameterError(message)
        return value
    if meta["several"]:
        if not isinstance(value, list) or not value:
            message = f"read {shown(value)}; write a list, e.g. [3.5, 2.0, 1.0]"
            raise ParameterError(message)
        return tuple(_number(v, meta) for v in value)
    return _number(value, meta)


def _word(value: Any, options: Sequence[str]) -> Any:
    """Replace a word of the trade by the option it means, if any."""
    word = " ".join(value.casefold().split()) if isinstance(value, str) else value
    for option in options:
        if word == option or (isinstance(word, str) and word in _OTHER_WORDS.get(option, ())):
            return option
    return value


def _number(value: Any, meta: Any) -> float:
    """Read one number in SI, within its plausible range."""
    unit = meta["unit"]
    if unit == "dimensionless" and isinstance(value, (int, float)) and not isinstance(value, bool):
        number = float(value)
    elif not isinstance(value, str):
        message = f'read {shown(value)}; write the number with its unit in quotes, e.g. "{usual(unit)}"'
        raise ParameterError(message)
    else:
        number = to_delta_k(value) if unit == "delta K" else to_si(value, unit)
    if not meta["low"] <= number <= meta["high"]:
        low, high = (like(meta[end], unit, str(value), inward=side) for end, side in (("low", 1), ("high", -1)))
        message = f"read {shown(value)}; plausible is {low} to {high}"
        if "radius" in meta["doc"] and meta["low"] <= number / 2 <= meta["high"]:
            message += f"; is it a diameter? Write {shown(like(number / 2, unit, str(value)))}"
        raise ParameterError(message)
    return number
