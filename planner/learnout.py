"""What `log`, `fit`, `review` and `alarms` print: lines for people, plain data for programs."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from planner.alarms import Card, Reference, alarm_title
from planner.display import units_of
from planner.errors import OutputError
from planner.files.logs import Description
from planner.forecast import Forecast
from planner.learn import Learned, Outlook
from planner.margins import FLUID_NAMES
from planner.review import Drift, Review
from planner.wholefile import write_new
from thermal.learnt import Learnt
from thermal.vehicle_file import own_tables, read_vehicle
from thermal.vehicle_write import vehicle_text


def description_dict(found: Description) -> dict[str, Any]:
    """Give a log's description as plain data.

    Parameters
    ----------
    found : Description
        See `planner.files.logs.describe_log`. [-]

    Returns
    -------
    dict
        For JSON.
    """
    mapping = found.mapping
    return {
        "schema": "grademargin-log/1",
        "sentences": list(found.sentences),
        "unsure": list(mapping.unsure),
        "time": {"column": mapping.time, "kind": mapping.kind},
        "channels": {
            name: {"column": s.column, "unit": s.unit, "no_data": list(s.no_data), "unsure": s.unsure}
            for name, s in mapping.channels.items()
        },
    }


def learned_lines(learned: Learned, before: Sequence[Outlook], after: Sequence[Outlook]) -> list[str]:
    """Tell a fit: sentences, errors on what was held out, margins before and after.

    Parameters
    ----------
    learned : Learned
        The fit. [-]
    before, after : sequence of Outlook
        See `planner.learn.outlook_of`. [-]

    Returns
    -------
    list of str
        Lines.
    """
    u, found = units_of(learned.trip.units), learned.found
    lines = list(learned.sentences)
    lines.append(
        f"{found.n_readings} readings are worth {found.n_effective:.0f} independent ones; "
        f"{u.diff(found.noise_k):.1f} {u.temperature} of scatter is left."
    )
    for one in learned.held:
        lines.append(
            f"held out, last quarter of {one.log}: {FLUID_NAMES[one.fluid]} off by {u.diff(one.before_k):.1f} before, "
            f"{u.diff(one.after_k):.1f} {u.temperature} after a fit to the rest."
        )
    for old, new in zip(before, after, strict=True):
        lines.append(
            f"smallest margin of the trip, {FLUID_NAMES[old.fluid]}: {u.diff(old.margin_k):.0f} (spread "
            f"± {u.diff(old.sd_k):.0f}) before, {u.diff(new.margin_k):.0f} (± {u.diff(new.sd_k):.0f}) "
            f"{u.temperature} after."
        )
    return lines


def learned_dict(learned: Learned, before: Sequence[Outlook], after: Sequence[Outlook]) -> dict[str, Any]:
    """Give a fit as plain data.

    Parameters
    ----------
    learned : Learned
        The fit. [-]
    before, after : sequence of Outlook
        See `planner.learn.outlook_of`. [-]

    Returns
    -------
    dict
        For JSON; kelvins.
    """
    found = learned.found
    return {
        "schema": "grademargin-fit/1",
        "trip": learned.trip.name,
        "logs": [one.log.name for one in learned.driven],
        "sentences": list(learned.sentences),
        "unknowns": [
            {
                "name": item.name,
                "estimate": float(found.estimate[i]),
                "kind": "kelvins" if item.added else "factor",
                "low": found.interval(i)[0],
                "high": found.interval(i)[1],
                "learned": float(found.learned[i]),
            }
            for i, item in enumerate(found.unknowns)
        ],
        "correlation": found.correlation.tolist(),
        "readings": found.n_readings,
        "effective": found.n_effective,
        "scatter_k": found.noise_k,
        "held_out": [one._asdict() for one in learned.held],
        "margins": [{"before": a._asdict(), "after": b._asdict()} for a, b in zip(before, after, strict=True)],
    }


def review_dict(reviews: Sequence[Review], found: Sequence[Drift]) -> dict[str, Any]:
    """Give reviews and trends as plain data.

    Parameters
    ----------
    reviews : sequence of Review
        One a log. [-]
    found : sequence of Drift
        Factors that drift. [-]

    Returns
    -------
    dict
        For JSON; kelvins.
    """
    return {
        "schema": "grademargin-review/1",
        "logs": [
            {
                "log": one.driven.log.name,
                "sentences": list(one.sentences),
                "peaks": [peak._asdict() for peak in one.peaks],
                "causes": [
                    {"name": v.name, "words": v.words, "probability": v.probability, "value": v.value}
                    for v in one.verdicts
                ],
            }
            for one in reviews
        ],
        "drifts": [{"factor": d.factor, "per_day": d.per_day, "error": d.error, "words": d.words} for d in found],
    }


def alarms_dict(outlook: Forecast, cards: Sequence[Card], reference: Reference) -> dict[str, Any]:
    """Give all cards as plain data.

    Parameters
    ----------
    outlook : Forecast
        The forecast. [-]
    cards : sequence of Card
        See `planner.alarms.alarm_cards`. [-]
    reference : Reference
        What the pressures rest on. [-]

    Returns
    -------
    dict
        For JSON; kelvins and pascals.
    """
    return {
        "schema": "grademargin-alarms/1",
        "trip": outlook.trip.name,
        "rests_on": reference.words,
        "cards": [
            {
                "leg": card.leg,
                "title": alarm_title(outlook, card),
                "fluids": [
                    {
                        "fluid": FLUID_NAMES[f.fluid],
                        "not_warm_below_k": f.low_k,
                        "expected_k": list(f.band_k),
                        "caution_k": f.caution_k,
                        "limit_k": f.limit_k,
                    }
                    for f in card.fluids
                ],
                "oil_idle_pa": list(card.idle_pa),
                "oil_idle_least_pa": card.idle_least_pa,
                "oil_cruise_pa": list(card.cruise_pa),
                "oil_cruise_least_pa": card.cruise_least_pa,
                "cooler_drop_pa": None if card.drop_pa is None else list(card.drop_pa),
            }
            for card in cards
        ],
    }


def refuse_existing(path: Path) -> None:
    """Refuse to write a vehicle file over another, before hours of learning as after.

    Parameters
    ----------
    path : Path
        The new file. [-]

    Raises
    ------
    OutputError
        If it is there already.
    """
    if path.exists() or path.is_symlink():
        message = f"{path.name}: exists already and is left as it is; name another file with --out"
        raise OutputError(message)


def write_fitted(
    path: Path, *, owner: Path, classes: Path, changes: Mapping[str, Mapping[str, Any]], learnt: Learnt, head: str
) -> None:
    """Write a new vehicle file beside the owner's, which stays as it is; it is read back before it gets its name.

    Parameters
    ----------
    path : Path
        The new file; must not exist. [-]
    owner : Path
        The owner's file. [-]
    classes : Path
        Folder of class files. [-]
    changes : mapping
        Section to key to {"value", "source"}. [-]
    learnt : Learnt
        Factors for [fit]. [-]
    head : str
        First lines. [-]

    Raises
    ------
    ParameterError
        If it would not be accepted as a vehicle.
    OutputError
        If the file is there already or cannot be written.
    """
    text = vehicle_text(own_tables(owner), changes, learnt, head=head)
    try:
        write_new(path, text, check=lambda part: read_vehicle(part, classes))
    except FileExistsError:
        refuse_existing(path)
        raise
    except OSError as exc:
        message = f"{path}: cannot be written ({exc.strerror or exc}); name another file with --out"
        raise OutputError(message) from exc
