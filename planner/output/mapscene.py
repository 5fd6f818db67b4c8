"""Conversion of the report to a map scene: points, stretches, markers, tables, in display units."""

import hashlib
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from maps import basemap
from maps.chart import kept_indices
from maps.relief import Relief, box_about, grid, shaded
from maps.scene import Ahead, Grade, Marker, Milestone, Road, Scene, Series, Spot, Stretch, Town, Track
from maps.teaching import Teaching
from maps.track import unrolled
from planner.analysis.alarms import Card, trip_card
from planner.analysis.margins import Margin, fluids_of
from planner.forecast.run import leg_name, local_time, span_of
from planner.ground import terrain, towns
from planner.model import paths
from planner.model.display import counted
from planner.model.levels import AMPLE, EXCEEDED, THIN, TIGHT, UNKNOWN
from planner.output.cautions import CAUTIONS
from planner.output.grades import Climb, climbs, small_part
from planner.output.marks import Mark, hot_spots, hot_words, marks
from planner.output.nearby import towns_beside
from planner.output.outcome import headline, unknown_sentence
from planner.output.report import Report, reason, sentence, then
from planner.output.sheets import alarm_card, appendix, day_sheet, gaps, trip_tables
from planner.output.teaching import teaching_of
from planner.output.times import told, zone_of, zones
from planner.route.graph import stops_of
from thermal.fluids import fluid_of, fluids_in

_DASHES = ("", "9 4", "3 3", "13 4 3 4", "6 3 1 3", "16 3")  # of fluids, in the model's order
_GRADES = ("pass", "summit")
_KIND_OF_MARK = {
    "start": "start",
    "night": "night",
    "fuel": "fuel",
    "service": "service",
    "break": "stop",
    "halt": "stop",
    "event": "stop",
    "cool": "stop",
}
_MOST_SPOTS = 3
RULES = (
    "A gauge above its “up to” figure: the car runs hotter than forecast. Slow down, A/C off, and look again in five "
    "minutes.",
    "A gauge past its caution mark and still rising: cabin heater on full, and stop at the next turn-out, ahead or "
    "behind, that is legal and safe. Let the engine idle while the coolant is hot, unless it is past its limit.",
    "A gauge past its limit: stop as soon as it is safe, engine off. Do not open the cooling system while it is hot.",
)
_AIR_DASH, _CLOCK = "1 5", "%a %H:%M"
_FINE_M, _COARSEST = 3.5e6, 3.0  # a longer road is drawn coarser, so that its page opens on a phone
_MOST_ROADS = 400
_GRADE_LAG_S = 600.0  # fluids are hottest up to about ten minutes after the top


def make_scene(report: Report) -> Scene:
    """Convert a report to a scene."""
    outlook, u = report.outlook, report.units
    trip, found, grades, card = outlook.trip, marks(report), _climbs(report), _card(report)
    distance, days = u.dist(sum(leg.distance_m for leg in outlook.legs)), len(outlook.timeline.days)
    return Scene(
        title=trip.name,
        lead=f"{outlook.car.vehicle.name}. {distance:,.0f} {u.distance} in {counted(days, 'day')}.",
        track=_line(report),
        kept=_kept(report),
        distance_unit=u.distance,
        elevation_unit=u.elevation,
        facts=_facts(report),
        spots=_spots(report),
        cautions=CAUTIONS,
        stretches=(*(_stretch(report, leg) for leg in range(len(outlook.legs))), *_small_parts(report)),
        markers=(*_hot_markers(report, found), *_markers(report, found)),
        days=tuple(day_sheet(report, number, card) for number in range(days)),
        card=(alarm_card(report, card), gaps(report)),
        tables=trip_tables(report),
        appendix=appendix(report),
        places=_places(report),
        ahead=_ahead(report, found),
        grades=tuple(_grade(report, climb) for climb in grades),
        rules=RULES,
        teaching=_teaching(report),
        roads=_roads(report),
        towns=_towns(report),
        relief=_relief(report),
        attributions=(f"{towns.CREDIT}, thinned", terrain.CREDIT),
        start_s=float(outlook.timeline.begin_s[0]),
        key=hashlib.sha256("/".join([trip.route[-1], *(leg.finish for leg in outlook.legs[-3:])]).encode()).hexdigest()[
            :12
        ],
        band_words=f"not exceeded with {round(100 * trip.confidence)} % confidence",
        level_words=(AMPLE.legend, UNKNOWN.legend, THIN.legend, EXCEEDED.legend),
        generated=f"Made by grademargin for {trip.departure:%d %B %Y}; the same inputs give the same page.",
    )


def pieces(report: Report) -> Iterator[None]:
    """Make what is the same whatever the remedies are, piece by piece, for the scene that follows."""
    for piece in (_card, _teaching, _towns, _relief, _line, _kept):
        piece(report)
        yield


def _climbs(report: Report) -> tuple[Climb, ...]:
    return report.once(climbs, lambda: climbs(report))


def _card(report: Report) -> Card:
    return report.once(trip_card, lambda: trip_card(report.outlook))


def _teaching(report: Report) -> Teaching:
    return report.once(teaching_of, lambda: teaching_of(report, _climbs(report), _card(report)))


def _towns(report: Report) -> tuple[Town, ...]:
    line = report.outlook.timeline
    return report.once(towns_beside, lambda: towns_beside(line.lat_deg, line.lon_deg))


def _relief(report: Report) -> Relief:
    return report.once(_shading, lambda: _shading(report))


def _line(report: Report) -> Track:
    return report.once(_track, lambda: _track(report))


def _kept(report: Report) -> tuple[int, ...]:
    return report.once(kept_indices, lambda: tuple(kept_indices(_line(report)).tolist()))


def _facts(report: Report) -> tuple[str, ...]:
    """One-line outcome of the plan."""
    spots = len(hot_spots(report))
    more = (f"The {_MOST_SPOTS} smallest of {spots}; the map shows all:",) if spots > _MOST_SPOTS else ()
    return (headline(report), *more)


def _spots(report: Report) -> tuple[Spot, ...]:
    """The smallest margins, one line each; hot spot markers come first in the scene."""
    spots = hot_spots(report)
    worst = sorted(range(len(spots)), key=lambda number: spots[number].margin_k)[:_MOST_SPOTS]
    fluids = [fluid_of(spot.fluid).index for spot in spots]
    points = [int(report.outlook.nominal.where[0, spot.leg, f]) + 1 for spot, f in zip(spots, fluids, strict=True)]
    return tuple(
        Spot(text=hot_words(report, spots[n]) + _helps(report, spots[n]), marker=n, point=points[n]) for n in worst
    )


def _helps(report: Report, spot: Margin) -> str:
    """The first remedy that suffices."""
    found = (day.working for day in report.remedies if (day.leg, day.fluid) == (spot.leg, spot.fluid))
    return next((f". What helps: {working[0].words}" for working in found if working), "")


def _track(report: Report) -> Track:
    """Points at every segment's end, parked ones included."""
    outlook, u = report.outlook, report.units
    line = outlook.timeline
    temps = outlook.nominal.temps_k[0]
    first = outlook.trip.places[outlook.legs[0].start]
    hours = _clock(report)

    begin, *drawn = outlook.mornings_k[0]
    high = np.maximum(np.quantile(drawn, outlook.trip.confidence, axis=0), begin)

    def column(first_k: float, values_k: npt.NDArray[np.float64]) -> tuple[float, ...]:
        return tuple(np.round(u.temp(np.append(first_k, values_k)), 1).tolist())

    coarser = min(_COARSEST, max(1.0, float(line.end_m[-1]) / _FINE_M))
    series = []
    for fluid in map(fluid_of, fluids_of(outlook)):
        expected, limit = column(begin[fluid.node], temps[:, fluid.node]), outlook.nominal.limit_k[:, fluid.index]
        series.append(
            Series(
                label=fluid.label.capitalize(),
                values=expected,
                low=expected,
                high=column(high[fluid.node], outlook.band_k[:, fluid.node]),
                limit=column(limit[0], limit),
                unit=u.temperature,
                dash=_DASHES[fluid.index % len(_DASHES)],
                bound=min(coarser, 1.5),
            )
        )
    air = line.drive.air_k
    series.append(Series(label="Air", values=column(air[0], air), unit=u.temperature, dash=_AIR_DASH))
    return Track(
        lat=(first.lat_deg, *np.round(line.lat_deg, 5).tolist()),
        lon=(first.lon_deg, *np.round(line.lon_deg, 5).tolist()),
        distance=(0.0, *np.round(u.dist(line.end_m), 2).tolist()),
        elevation=(round(u.height(first.elevation_m), 1), *np.round(u.height(line.end_elevation_m), 1).tolist()),
        clock=hours,
        group=(0, *line.drive.group.astype(int).tolist()),
        day=(0, *line.drive.day.astype(int).tolist()),
        series=tuple(series),
        minutes=(0.0, *np.round((line.end_s - line.begin_s[0]) / 60.0, 1).tolist()),
        group_labels=tuple(leg_name(report.outlook, leg) for leg in range(len(outlook.legs))),
        elevation_bound=20.0 * coarser,
        line_bound_deg=0.0003 * coarser,
    )


def _clock(report: Report) -> tuple[str, ...]:
    """Local time of every point: one zone look-up per span, two if the zone changes."""
    outlook, texts = report.outlook, []
    zoned = len(zones(outlook, 0, len(outlook.timeline.end_s) - 1)) > 1
    for span in outlook.timeline.spans:
        begin, end = local_time(outlook, span.first), local_time(outlook, span.last)
        changes = begin.utcoffset() != end.utcoffset()
        if changes:
            texts += [told(local_time(outlook, i), _CLOCK, zoned=zoned) for i in range(span.first, span.last + 1)]
            continue
        form, zone = f"{_CLOCK} {zone_of(begin)}" if zoned else _CLOCK, begin.tzinfo
        minutes, point = np.unique(outlook.timeline.end_s[span.rows] // 60.0, return_inverse=True)
        said = [begin.fromtimestamp(60.0 * minute, tz=zone).strftime(form) for minute in minutes.tolist()]
        texts += map(said.__getitem__, point.tolist())
    return (told(local_time(outlook, 0, begin=True), _CLOCK, zoned=zoned), *texts)


def _stretch(report: Report, leg: int) -> Stretch:
    """One leg with every fluid; parts with a small margin are drawn on top."""
    span, worst = span_of(report.outlook, leg), report.worst(leg)
    lines = [sentence(report, m) for m in report.margins if m.leg == leg]
    if worst.level == UNKNOWN.word:
        lines.insert(0, unknown_sentence(report, worst))
    if worst.level in TIGHT:
        lines.append(reason(report, worst))
    return Stretch(
        start=span.first,
        end=span.last + 1,
        level="ample" if worst.level in ("thin", "exceeded") else worst.level,
        title=leg_name(report.outlook, leg),
        popup="\n".join(lines),
    )


def _small_parts(report: Report) -> tuple[Stretch, ...]:
    """Parts with thin margins, and on top those above a limit."""
    band_k, made = report.outlook.trip.thin_band_k, []
    for level, within_k in (("thin", band_k), ("exceeded", 0.0)):
        for margin in report.margins:
            if margin.level == "exceeded" or margin.level == level == "thin":
                start, end = small_part(report, margin, within_k)
                made.append(Stretch(start=start, end=end, level=level, whole=False))
    return tuple(made)


def _grade(report: Report, climb: Climb) -> Grade:
    """One climb, up to where the fluids have felt its heat; its level is that of the worst margin there."""
    outlook, u = report.outlook, report.units
    line = outlook.timeline
    last = int(np.searchsorted(line.end_s, line.end_s[climb.end - 1] + _GRADE_LAG_S)) + 1
    peaks = [int(outlook.nominal.where[0, m.leg, fluid_of(m.fluid).index]) + 1 for m in report.margins]
    levels = [m.level for m, at in zip(report.margins, peaks, strict=True) if climb.start <= at <= last]
    order = ("exceeded", "unknown", "thin")
    rise, mean = f"{u.height(climb.rise_m):,.0f} {u.elevation}", 100.0 * climb.rise_m / climb.length_m
    return Grade(
        start=climb.start,
        end=climb.end,
        title=climb.place or f"Climb at {u.distance} {u.dist(float(line.end_m[climb.end - 1])):,.0f}",
        text=f"up {rise} in {u.dist(climb.length_m):.1f} {u.distance}, mean {mean:.1f} %",
        level=next((level for level in order if level in levels), "ample"),
    )


def _roads(report: Report) -> tuple[Road, ...]:
    """All roads of the folder; alternatives are drawn under the route."""
    trip = report.outlook.trip
    made = []
    for leg in trip.legs[:_MOST_ROADS]:
        ends = trip.places[leg.start], trip.places[leg.finish]
        lat, lon = tuple(one.lat_deg for one in ends), tuple(one.lon_deg for one in ends)
        if leg.profile is not None and leg.profile.lat_deg:
            lat, lon = leg.profile.lat_deg, leg.profile.lon_deg
        made.append(Road(name=leg.road, lat=lat, lon=lon))
    return tuple(made)


def _shading(report: Report) -> Relief:
    """Shading of the ground about the route, from the shipped coarse heights."""
    line = report.outlook.timeline
    box = box_about(line.lat_deg, np.asarray(unrolled(line.lon_deg.tolist())))
    lat_deg, lon_deg = grid(box, terrain.CELL_DEG)
    heights_m = np.maximum(terrain.ground_m(lat_deg[:, np.newaxis], lon_deg[np.newaxis, :]), 0.0)
    return shaded(heights_m, lat_deg, lon_deg, box)


def _hot_markers(report: Report, found: tuple[Mark, ...]) -> tuple[Marker, ...]:
    """Markers of thin or exceeded margins, before all others; legs with a common place share one."""
    own = {margin.leg for margin in hot_spots(report)}
    return tuple(
        Marker(
            lat=mark.lat_deg,
            lon=mark.lon_deg,
            label=mark.name,
            kind="over" if mark.level == EXCEEDED.word else "hot",
            text=mark.text,
            detail=_hot_detail(report, mark),
            day=mark.day,
        )
        for mark in found
        if mark.kind == "hot" and mark.leg in own
    )


def _hot_detail(report: Report, mark: Mark) -> str:
    """Position of a small margin along the route, and the expected and upper temperatures there."""
    u, worst = report.units, report.worst(mark.leg)
    along = u.dist(float(report.outlook.timeline.end_m[mark.point - 1]))
    temps = f"{u.temp(worst.peak_k):.0f}–{u.temp(worst.upper_k):.0f} {u.temperature}"
    return f"{u.distance} {along:,.0f}: {fluid_of(worst.fluid).short} {temps}"


def _markers(report: Report, found: tuple[Mark, ...]) -> tuple[Marker, ...]:
    """Places on the route, each once, with its most important mark."""
    outlook = report.outlook
    order = stops_of(outlook.legs)
    markers = []
    for position, key in enumerate(order):
        if key in order[:position]:
            continue
        here = {mark.kind for mark in found if mark.kind != "hot" and order[_position(mark)] == key}
        kind = next((_KIND_OF_MARK[one] for one in _KIND_OF_MARK if one in here), "place")
        grade = outlook.trip.places[key].kind in _GRADES
        kind = "grade" if grade and kind in ("stop", "service", "place") else kind
        kind = "finish" if position == len(order) - 1 and position > 0 else kind
        markers.append(_marker(report, key, kind, max(position - 1, 0), found))
    return tuple(markers)


def _position(mark: Mark) -> int:
    """Number of a mark's place in the order of travel."""
    return 0 if mark.kind == "start" else mark.leg + 1


def _marker(report: Report, key: str, kind: str, leg: int, found: tuple[Mark, ...]) -> Marker:
    """One place with its arrival details."""
    outlook, u = report.outlook, report.units
    place, span = outlook.trip.places[key], span_of(outlook, leg)
    temps = outlook.nominal.temps_k[0]
    lines = [f"{u.height(place.elevation_m):,.0f} {u.elevation}."]
    if kind != "start":
        arrive = local_time(outlook, span.last)
        reads = ", ".join(
            f"{fluid.label} {u.temp(float(temps[span.last, fluid.node])):.0f}"
            for fluid in fluids_in(outlook.car.vehicle)
            if fluid.gauge
        )
        lines.append(f"Arrive {arrive:%a %H:%M}. Expected gauge readings ({u.temperature}): {reads}.")
    pause = then(report, leg) if kind != "start" else ""
    if pause:
        lines.append(f"Here: {pause}.")
    if kind == "night":
        lines.append(f"Night {span.day + 1}.")
    proposed = [mark.text for mark in found if mark.kind == "cool" and mark.leg == leg and kind != "start"]
    lines += proposed
    if place.services:
        lines.append("Services: " + ", ".join(sorted(place.services)) + ".")
    if place.note:
        lines.append(place.note)
    return Marker(
        lat=place.lat_deg,
        lon=place.lon_deg,
        label=place.name,
        kind=kind,
        text="\n".join(lines),
        detail=f"{u.height(place.elevation_m):,.0f} {u.elevation}" if place.kind in _GRADES else "",
        day=span.day,
    )


def _places(report: Report) -> tuple[Milestone, ...]:
    """Places for the position selector, in the order of travel."""
    places = report.outlook.trip.places
    return tuple(Milestone(point=point, title=places[key].name) for point, key in _points(report))


def _points(report: Report) -> tuple[tuple[int, str], ...]:
    """Places in the order of travel, each with its point of the track."""
    outlook = report.outlook
    ends = [0, *(span_of(outlook, i).last + 1 for i in range(len(outlook.legs)))]
    return tuple(zip(ends, stops_of(outlook.legs), strict=True))


def _ahead(report: Report, found: tuple[Mark, ...]) -> tuple[Ahead, ...]:
    """Data of the panel for the next stops, by group."""

    def of(*kinds: str) -> tuple[Milestone, ...]:
        chosen = sorted((mark for mark in found if mark.kind in kinds), key=lambda mark: mark.point)
        titles = [mark.title.removeprefix("Fuel at ") for mark in chosen]
        return tuple(
            Milestone(point=mark.point, title=title, text=_first_line(mark))
            for mark, title in zip(chosen, titles, strict=True)
        )

    groups = (
        Ahead(heading="Next fuel", milestones=of("fuel")),
        Ahead(heading="Next hot place", milestones=of("hot")),
        Ahead(heading="Next stop of the plan", milestones=of("break", "halt", "event", "night", "finish")),
        Ahead(heading="Next service due", milestones=of("service")),
        Ahead(heading="Next turn-out", behind="Turn-out behind you", milestones=_serviced(report)),
    )
    return tuple(group for group in groups if group.milestones or group.heading == "Next hot place")


def _first_line(mark: Mark) -> str:
    """Detail line of a mark; a hot spot needs none."""
    return "" if mark.kind == "hot" else mark.text.split("\n")[0]


def _serviced(report: Report) -> tuple[Milestone, ...]:
    """Places with parking or other services, in the order of travel."""
    places = report.outlook.trip.places
    return tuple(
        Milestone(point=point, title=places[key].name, text=", ".join(sorted(places[key].services)))
        for point, key in _points(report)
        if places[key].services
    )


def outlines(report: Report, scene: Scene) -> basemap.Basemap:
    """Outlines round the route."""
    bounds, folder = scene.bounds(), paths.data_folder() / "basemap"
    return report.once(("ground", bounds), lambda: basemap.load(folder, bounds, scene.route()))
