"""Formatting local times, with the zone if the trip crosses zones."""

from datetime import datetime

from planner.forecast.run import Forecast, local_time


def zone_of(moment: datetime) -> str:
    """Short name of the zone a moment is in."""
    name = moment.strftime("%Z")
    return name if name[:1].isalpha() else f"UTC{name[:1]}{name[1:].lstrip('0') or '0'}"


def zones(outlook: Forecast, first: int, last: int) -> tuple[str, ...]:
    """Zones between two segments, each once."""
    ends = [span.last for span in outlook.timeline.spans if first <= span.last <= last]
    moments = [local_time(outlook, first, begin=True), *(local_time(outlook, i) for i in ends)]
    return tuple(dict.fromkeys(zone_of(one) for one in moments))


def told(moment: datetime, form: str, *, zoned: bool) -> str:
    """Format a local time."""
    return f"{moment:{form}} {zone_of(moment)}" if zoned else f"{moment:{form}}"
