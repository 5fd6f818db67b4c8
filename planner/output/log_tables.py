"""Output of `log`, `fit` and `review`: text and plain data."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from planner.files.logpropose import Description
from planner.model.display import Units, units_of
from planner.output.picked import picked
from thermal.fluids import fluid_of

if TYPE_CHECKING:  # `log` does without the model
    from planner.logs.drift import Drift
    from planner.logs.fit import Fitted, FluidMargin
    from planner.logs.review import Review


def description_dict(found: Description) -> dict[str, Any]:
    """Return a log's description as plain data."""
    mapping = found.mapping
    return {
        "schema": "grademargin-log/1",
        "sentences": list(found.sentences),
        "unsure": list(mapping.unsure),
        "time": {"column": mapping.time, "kind": mapping.kind},
        "channels": {
            name: picked(source, "column unit unsure") | {"no_data": list(source.no_data)}
            for name, source in mapping.channels.items()
        },
    }


def fit_lines(learned: "Fitted", before: "Sequence[FluidMargin]", after: "Sequence[FluidMargin]") -> list[str]:
    """Describe a fit: sentences, hold-out errors, margins before and after."""
    u, found = units_of(learned.trip.units), learned.found
    lines = list(learned.sentences)
    lines.append(
        f"{found.n_readings} readings are equivalent to {found.n_effective:.0f} independent ones; "
        f"{u.diff(found.noise_k):.1f} {u.temperature} of residual scatter."
    )
    for one in learned.held:
        lines.append(
            f"hold-out test, last quarter of {one.log}: {fluid_of(one.fluid).label} error {u.diff(one.before_k):.1f} "
            f"before, {u.diff(one.after_k):.1f} {u.temperature} after a fit to the rest."
        )
    return [*lines, *margin_lines(u, before, after)]


def margin_lines(u: Units, before: "Sequence[FluidMargin]", after: "Sequence[FluidMargin]") -> list[str]:
    """Report the trip's margins before and after the fit."""
    return [
        f"smallest margin of the trip, {fluid_of(old.fluid).label}: {u.diff(old.margin_k):.0f} (spread "
        f"± {u.diff(old.sd_k):.0f}) before, {u.diff(new.margin_k):.0f} (± {u.diff(new.sd_k):.0f}) "
        f"{u.temperature} after."
        for old, new in zip(before, after, strict=True)
    ]


def unknown_rows(learned: "Fitted") -> list[dict[str, Any]]:
    """One row per fitted parameter."""
    found = learned.found
    return [
        {"name": item.name, "kind": "kelvins" if item.added else "factor", "estimate": float(found.estimate[i])}
        | dict(zip(("low", "high"), found.interval(i), strict=True))
        | {"learned": float(found.learned[i])}
        for i, item in enumerate(found.unknowns)
    ]


def fit_dict(learned: "Fitted", before: "Sequence[FluidMargin]", after: "Sequence[FluidMargin]") -> dict[str, Any]:
    """Return a fit as plain data."""
    found = learned.found
    return {
        "schema": "grademargin-fit/1",
        "trip": learned.trip.name,
        "logs": [one.log.name for one in learned.driven],
        "sentences": list(learned.sentences),
        "unknowns": unknown_rows(learned),
        "correlation": found.correlation.tolist(),
        "readings": found.n_readings,
        "effective": found.n_effective,
        "scatter_k": found.noise_k,
        "held_out": [one._asdict() for one in learned.held],
        "margins": [{"before": a._asdict(), "after": b._asdict()} for a, b in zip(before, after, strict=True)],
    }


def review_dict(reviews: "Sequence[Review]", found: "Sequence[Drift]") -> dict[str, Any]:
    """Return reviews and trends as plain data."""
    return {
        "schema": "grademargin-review/1",
        "logs": [
            {
                "log": one.driven.log.name,
                "sentences": list(one.sentences),
                "peaks": [peak._asdict() for peak in one.peaks],
                "causes": [
                    picked(cause, "name words probability value begins_s=onset_s effect_k") for cause in one.verdicts
                ],
                "lockup": picked(one.lockup, "state minutes slip heat_w"),
            }
            for one in reviews
        ],
        "drifts": [picked(trend, "factor per_day error words") for trend in found],
    }
