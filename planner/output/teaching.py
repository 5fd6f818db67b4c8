"""Data for updating the page from gauges offline: sensitivities of the forecast in display units, and switches."""

from collections.abc import Sequence
from statistics import NormalDist
from typing import Any

import numpy as np
import numpy.typing as npt

from maps.teaching import Change, Channel, Peak, Rules, Switch, Teaching
from planner.analysis.alarms import Card
from planner.analysis.margins import fluids_of
from planner.analysis.sways import CURVE_AT, HOT_K, SLOWER, Sways, find_sways
from planner.files.readings import GAUGES, READING_COLUMNS, READINGS
from planner.forecast.lessons import FAR_S, LATE_K_PER_H, LATE_S, NOTE_K
from planner.model.display import Units
from planner.model.trip import Reading, Trip
from planner.output.grades import Climb
from planner.output.report import Report
from planner.replan.believe import MOMENT_SD_K
from planner.route.graph import stops_of
from thermal.assimilate import BEYOND_SD
from thermal.discrepancy import BEYOND_K_PER_K, CAR_SHARE, DAY_SHARE, QUICK, QUICK_SHARE, ROAD_SHARE
from thermal.fluids import Fluid, fluid_of
from thermal.taught import AIR, GAUGE_SD_K, MIDDLE_SHARE, SHARE_SPREAD, SHARES

Floats = npt.NDArray[np.float64]
_HOUR_S = 3600.0
_LEAST_K = 0.25  # of one standard deviation; it adds to a band of 5 K a hundredth of one
BEND_K, SOFT_K = 0.5, 0.3  # a gap that tells a bend, and its rounding; chosen on seeds 41 and 42 of docs/page-check.md
_FEW_BENDS = 0.1  # of the nodes: a fluid with fewer has none
_DRIVEN = "Computed for a whole day that starts later."
_KEYS = {fluid: name for name, fluid in GAUGES.items()}


def teaching_of(report: Report, climbs: Sequence[Climb], card: Card) -> Teaching:
    """Convert the sensitivities for the page."""
    outlook, u = report.outlook, report.units
    degrees = (10, 20) if u.kelvin_per_degree < 1.0 else (5, 10)
    hotter = {f"air-{one}": one * u.kelvin_per_degree for one in degrees}
    sways = find_sways(
        outlook,
        climbs=[(one.start, one.end) for one in climbs],
        hotter_k=hotter,
        later_s={"late-1": _HOUR_S, "late-2": 2.0 * _HOUR_S},
    )
    fluids = [fluid_of(key) for key in fluids_of(outlook)]
    return Teaching(
        nodes=(0, *(sways.rows + 1).tolist()),
        channels=(*_fluid_channels(report, sways, fluids, card), _air_channel(report, len(fluids))),
        changes=tuple(
            Change(
                key=key,
                moves=tuple(_column(u, moves[:, fluid.index]) for fluid in fluids),
                air=_column(u, sways.air_k[key]),
            )
            for key, moves in sways.changes_k.items()
        ),
        switches=_switches(u, degrees, air_conditioning=bool(outlook.timeline.drive.ac_on.any())),
        peaks=_peaks(report, sways, fluids),
        rules=_rules(u, outlook.trip.confidence, tuple(hotter)),
        day_sd=tuple(u.diff(sways.air_sd_k).tolist()),
        stops=tuple(stops_of(outlook.legs)),
        file=READINGS,
        unit="degF" if u.kelvin_per_degree < 1.0 else "degC",
        band=u.diff(outlook.trip.thin_band_k),
        slower_min=(0.0, *(sways.slower_s / 60.0).tolist()),
        blind=tuple(sorted({gap.leg for gap in report.unknowns.gaps})),
        told=tuple(u.diff(report.unknowns.heat_k).tolist()),
        known=tuple(_known(outlook.trip, u, one) for one in outlook.trip.readings),
    )


def _column(u: Units, values_k: Floats) -> tuple[float, ...]:
    """Differences at the nodes; zero at the start of the trip."""
    return (0.0, *u.diff(values_k).tolist())


def _felt(slope_k: Floats) -> Floats:
    """Leave out an unknown that hardly moves a fluid."""
    return slope_k if np.abs(slope_k).max() >= _LEAST_K else np.zeros_like(slope_k)


def _bounds(u: Units, key: str) -> tuple[float, float]:
    """Range of accepted readings, as in readings.csv."""
    column = next(one for one in READING_COLUMNS if one.name == key)
    return round(float(u.temp(column.low))), round(float(u.temp(column.high)))


def _fluid_channels(report: Report, sways: Sways, fluids: Sequence[Fluid], card: Card) -> tuple[Channel, ...]:
    """Every fluid; one without a column in readings.csv is forecast only."""
    outlook, u = report.outlook, report.units
    cautions = {one.fluid: one.marks.caution_k for one in card.fluids}
    made = []
    for number, fluid in enumerate(fluids):
        key, f = _KEYS.get(fluid.key, ""), fluid.index
        low, high = _bounds(u, key) if key else (0.0, 0.0)
        error = outlook.car.spread.discrepancy.of(fluid.key)
        made.append(
            Channel(
                key=key,
                label=fluid.label.capitalize(),
                short=fluid.short,
                series=number,
                sd=round(float(u.diff(GAUGE_SD_K.get(fluid.key, 0.0))), 3),
                low=low,
                high=high,
                lag_min=round(float(sways.lag_s[f]) / 60.0, 1),
                lasting_min=error.lasting_s / 60.0,
                grows_from=round(float(u.temp(error.high_k)), 1),
                least=round(float(u.diff(error.sd_k)), 2),
                stays=round(error.stays, 4),
                caution=round(float(u.temp(cautions[fluid.key])), 1) if fluid.key in cautions else None,
                slopes=tuple(_column(u, _felt(one)) for one in sways.slope_k[:, :, f]),
                along=_column(u, sways.along_k[:, f]),
                curves=tuple(_column(u, one) for one in sways.curve_k[:, :, f]),
                **_bent(u, sways, f),
                wider=tuple(_column(u, np.round(one)) for one in sways.wider_k[:, :, f]),
                error=_column(u, sways.error_k[:, f]),
                varies=_column(u, sways.varies_k[:, f]),
            )
        )
    return tuple(made)


def _bent(u: Units, sways: Sways, fluid: int) -> dict[str, Any]:
    """Slopes behind a bend, where a fluid has one: a thermostat that is wide open."""
    gap = sways.gap_k[:, fluid]
    if np.mean(gap > BEND_K) < _FEW_BENDS:
        return {}
    hot = tuple(_column(u, _felt(one)) for one in sways.hot_slope_k[:, :, fluid])
    return {"hot_slopes": hot, "gap": _column(u, gap)}


def _air_channel(report: Report, series: int) -> Channel:
    """The air; a reading shifts its day only."""
    low, high = _bounds(report.units, AIR)
    sd = round(float(report.units.diff(GAUGE_SD_K[AIR])), 3)
    return Channel(key=AIR, label="Air", short=AIR, series=series, sd=sd, low=low, high=high)


def _switches(u: Units, degrees: Sequence[int], *, air_conditioning: bool) -> tuple[Switch, ...]:
    """Switches for today's conditions."""
    half = "Half of what an hour changes."
    made = [
        Switch(group="late", label="30 min late", change="late-1", share=0.5, later_min=30.0, note=half),
        Switch(group="late", label="1 h late", change="late-1", later_min=60.0, note=_DRIVEN),
        Switch(group="late", label="2 h late", change="late-2", later_min=120.0, note=_DRIVEN),
    ]
    made += [Switch(group="air", label=f"Air +{one} {u.temperature}", change=f"air-{one}") for one in degrees]
    if air_conditioning:
        made.append(Switch(group="ac", label="A/C off", change="ac"))
    share = round(100.0 * (1.0 - SLOWER))
    made.append(Switch(group="slower", label=f"{share} % slower on the grade", change="slower", grade=True))
    return tuple(made)


def _peaks(report: Report, sways: Sways, fluids: Sequence[Fluid]) -> tuple[Peak, ...]:
    """Margins of the plan by node."""
    u, where = report.units, report.outlook.nominal.where[0]
    keys = [fluid.key for fluid in fluids]
    return tuple(
        Peak(
            leg=one.leg,
            channel=keys.index(one.fluid),
            node=int(np.searchsorted(sways.rows, where[one.leg, fluid_of(one.fluid).index])) + 1,
            expected=u.temp(one.peak_k),
            upper=u.temp(one.upper_k),
            limit=u.temp(one.limit_k),
            lost=u.diff(one.margin_k - one.least_k),
            edge=int(np.searchsorted(sways.rows, sways.edges[one.leg, fluid_of(one.fluid).index])) + 1,
            rise=tuple(u.diff(sways.rise_k[:, one.leg, fluid_of(one.fluid).index]).tolist()),
        )
        for one in report.margins
    )


def _rules(u: Units, confidence: float, hotter: tuple[str, ...]) -> Rules:
    """Constants of the method."""
    return Rules(
        shares=tuple(SHARES.tolist()),
        middle=MIDDLE_SHARE,
        width=SHARE_SPREAD,
        alike=(CAR_SHARE, DAY_SHARE, ROAD_SHARE, QUICK_SHARE),
        quick=QUICK,
        grows=BEYOND_K_PER_K,
        beyond=BEYOND_SD,
        hotter=hotter,
        curve_at=CURVE_AT,
        upper=round(NormalDist().inv_cdf(confidence), 4),
        late_min=LATE_S / 60.0,
        late_per_h=round(float(u.diff(LATE_K_PER_H)), 3),
        far_min=FAR_S / 60.0,
        hot_air=round(float(u.diff(HOT_K)), 2),
        soft=round(float(u.diff(SOFT_K)), 2),
        bends=round(float(u.diff(BEND_K)), 2),
        moment=round(float(u.diff(MOMENT_SD_K)), 3),
        note=round(float(u.diff(NOTE_K)), 3),
    )


def _known(trip: Trip, u: Units, one: Reading) -> str:
    """A reading used by the plan, in the page's format: place, values."""
    where = one.place
    if one.along is not None:
        where = f"{one.along[0]}>{one.along[1]}"
    values = [one.temps_k.get(fluid) for fluid in GAUGES.values()]
    return "|".join([where, *("" if value is None else f"{u.temp(value):.1f}" for value in values)])
