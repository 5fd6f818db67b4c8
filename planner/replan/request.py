"""Request to replan: position, departure time, gauge readings."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime

from planner.files.dates import local_moment
from planner.files.names import Along, read_along
from planner.files.reading import nearest
from planner.model.errors import PlannerError
from thermal.errors import UnitError, shown
from thermal.fluids import BODY_KEYS, FLUIDS
from thermal.units import like, to_si

_LOW_K, _HIGH_K, _ROTORS_HIGH_K = 223.15, 473.15, 1073.15
_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """Position, departure time, gauge readings, driving done today; None: as planned."""

    start_at: str | Along
    at: datetime
    temps_k: Mapping[str, float]
    driven_s: float | None


def read_request(
    *, from_place: str | None, along: str | None, at: str | None, readings: Sequence[str], driven: str | None = None
) -> Request | None:
    """Parse the options of a replan.

    >>> asked = read_request(from_place=None, along="a>b: 2 km", at="2027-07-11 10:00", readings=["coolant=90 degC"])
    >>> asked.start_at, asked.at.hour, asked.temps_k
    (('a', 'b', 2000.0), 10, {'coolant': 363.15})
    """
    if from_place is None and along is None and at is None and not readings and driven is None:
        return None
    if (from_place is None) == (along is None) or at is None:
        message = (
            "to plan the rest of the trip, give either --from PLACE or --along 'FROM>TO:12.5 mi', and --at "
            "'2027-07-11 10:00', the local time there"
        )
        raise PlannerError(message)
    moment = local_moment(at)
    if moment is None:
        message = f"--at: read {shown(at)}; write the local time there as '2027-07-11 10:00', years 1900 to 2100"
        raise PlannerError(message)
    with _naming("--along"):
        where = read_along(along) if along is not None else str(from_place)
    with _naming("--now"):
        temps = dict(_read_reading(text) for text in readings)
    with _naming("--driven"):
        return Request(start_at=where, at=moment, temps_k=temps, driven_s=_read_driven(driven))


@contextmanager
def _naming(option: str) -> Iterator[None]:
    """Begin a refusal with the option it is about."""
    try:
        yield
    except (PlannerError, UnitError) as exc:
        message = f"{option}: {exc}"
        raise PlannerError(message) from exc


def _read_driven(text: str | None) -> float | None:
    driven_s = None if text is None else to_si(text, "s", example="5.5 h")
    if text is not None and driven_s is not None and not 0.0 <= driven_s <= _DAY_S:
        message = f"read {shown(text)}; write the driving done that day, 0 to 24 h, as '5.5 h'"
        raise PlannerError(message)
    return driven_s


def _read_reading(text: str) -> tuple[str, float]:
    name, equals, value = text.partition("=")
    if not equals:
        message = f"{shown(text)} must be a fluid and a temperature, e.g. 'coolant=195 degF'"
        raise PlannerError(message)
    key, kelvin = "_".join(name.split()).casefold(), to_si(value, "K")
    check_temps({key: kelvin}, written=value)
    return key, kelvin


def check_temps(temps_k: Mapping[str, float], *, written: str = "0 degC") -> None:
    """Check names and values of gauge readings; a refusal is in the unit of the text `written`."""
    for name, value in temps_k.items():
        if name not in BODY_KEYS:
            readable = (*(fluid.key for fluid in FLUIDS if fluid.gauge), "rotors")
            message = f"reading of {shown(name)}: there is no such fluid; {nearest(name, readable)}"
            raise PlannerError(message)
        high = _ROTORS_HIGH_K if name == "rotors" else _HIGH_K
        if not _LOW_K <= value <= high:
            said, least, most = (like(kelvin, "K", written) for kelvin in (value, _LOW_K, high))
            message = f"reading of {name}: {said}; allowed is {least} to {most}; check the number and its unit"
            raise PlannerError(message)
