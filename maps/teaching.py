"""What a page needs to forecast by itself: how its series move with what is unknown, and with a few changes of the day.

Everything is in the display units of the series. An unknown is a number of mean 0 and standard deviation 1; the last
one is that of the day, which every day has of its own.
"""

from dataclasses import dataclass, field

from maps.errors import MapError, require_length

Columns = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One series that is read and forecast.

    Parameters
    ----------
    key, label, short : str
        Heading of its column in a file of readings, its name, and its name where there is little room. [-]
    series : int
        Number of the track's series. [-]
    sd : float
        Error of a reading. [`unit`]
    low, high : float
        Readings outside are refused. [`unit`]
    lag_min, lasting_min : float
        Time constant with which it follows a change; how long the forecast's own error lasts. [min]
    caution : float, optional
        Where its alarm sounds. [`unit`]
    grows_from, least : float
        Above what the forecast's own error grows, and its size below. [`unit`]
    slopes : tuple of tuple of float
        By unknown: change for one standard deviation at every node. [`unit`]
    along, curves : tuple of float, tuple of tuple of float
        At every node: sum of the slopes for one standard deviation of all that heats it, and what it does beyond that
        at each of the rules' `curve_at`. [`unit`]
    hot_slopes, gap : tuple of tuple of float, tuple of float
        The slopes far above the forecast, behind a bend, and how far below the forecast their line passes at every
        node; none where there is no such bend. [`unit`]
    wider : tuple of tuple of float
        At every node: how much further the upper edge lies above what is expected in each air of the rules' `hotter`.
        [`unit`]
    error, varies : tuple of float
        Size of the forecast's own error, and how much the series changes within minutes, at every node. [`unit`]
    """

    key: str
    label: str
    short: str
    series: int
    sd: float
    low: float
    high: float
    lag_min: float = 0.0
    lasting_min: float = 1.0
    caution: float | None = None
    grows_from: float = 0.0
    least: float = 0.0
    slopes: Columns = ()
    along: tuple[float, ...] = ()
    curves: Columns = ()
    hot_slopes: Columns = ()
    gap: tuple[float, ...] = ()
    wider: Columns = ()
    error: tuple[float, ...] = ()
    varies: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A change that was computed alone: by channel what it does at every node, and what it does to the air there."""

    key: str
    moves: Columns
    air: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Switch:
    """A button for a share of a change; of one group only one is on. `note` says what stands behind its figure."""

    group: str
    label: str
    change: str
    share: float = 1.0
    later_min: float = 0.0
    grade: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """Where a channel comes nearest its limit on a leg: node, forecast, and how much may be lost where not known.

    At node `edge` its upper edge comes nearest. `rise` says how far that rises in each air of the rules' `hotter`.
    """

    leg: int
    channel: int
    node: int
    expected: float
    upper: float
    limit: float
    lost: float = 0.0
    edge: int = 0
    rise: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """Numbers of the method, see `thermal.taught` and `thermal.discrepancy`. Times in minutes.

    Parameters
    ----------
    shares : tuple of float
        Sizes of the forecast's own error on this car against that of its class; `middle` and `width` say how likely.
    alike : tuple of float
        Shares of its variance: of the car, of the day, of the road, of what comes and goes in `quick` of that time.
    grows : float
        By how much of a degree that error grows with each. [-]
    beyond : float
        Readings further from what is expected are not believed. [standard deviations]
    hotter : tuple of str
        Changes in whose air the widths were computed, the coolest first. [-]
    curve_at : tuple of float
        Where the curves were tried: one below, two above; beyond the last it is extrapolated. [standard deviations]
    upper : float
        Where the upper edge of the band lies. [standard deviations]
    late_min, late_per_h, far_min : float
        A reading later than this against the plan is less sure, by how much an hour; later than the last, not used.
    hot_air, soft, bends : float
        How much hotter the air of the second slopes is; size of the rounding of a bend; a smaller gap is none.
        [display unit]
    moment : float
        A reading belongs to about its moment, not to it exactly. [display unit]
    note : float
        Differences below this are none. [display unit]
    """

    shares: tuple[float, ...]
    middle: float
    width: float
    alike: tuple[float, float, float, float]
    quick: float
    grows: float
    beyond: float
    hotter: tuple[str, ...]
    curve_at: tuple[float, float, float]
    upper: float
    late_min: float
    late_per_h: float
    far_min: float
    hot_air: float
    soft: float
    bends: float
    moment: float
    note: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Teaching:
    """All of it, and what a file of readings is written with.

    Parameters
    ----------
    nodes : tuple of int
        Points of the track, rising. [-]
    channels : tuple of Channel
        The air last; it has no slopes. [-]
    day_sd : tuple of float
        Standard deviation of the air, by day. [`unit`]
    stops, legs : tuple
        Keys of the places in driving order, between which lie the legs. [-]
    file, unit : str
        Name of the file, and the unit as its headings write it. [-]
    known : tuple of str
        Readings that the forecast already rests on, as the page writes their place and values. [-]
    band : float
        A margin below this is thin. [`unit`]
    blind : tuple of int
        Legs with a road of unknown heights: behind the last one a reading tells what it did. [-]
    told : tuple of float
        What may be lost on every leg all the same. [`unit`]
    slower_min : tuple of float
        Time that slower grades have cost by every node. [min]
    """

    nodes: tuple[int, ...]
    channels: tuple[Channel, ...]
    changes: tuple[Change, ...]
    switches: tuple[Switch, ...]
    peaks: tuple[Peak, ...]
    rules: Rules
    day_sd: tuple[float, ...]
    stops: tuple[str, ...]
    file: str
    unit: str
    band: float
    slower_min: tuple[float, ...]
    known: tuple[str, ...] = field(default=())
    blind: tuple[int, ...] = ()
    told: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        count = len(self.nodes)
        for one in self.channels[:-1]:
            bent = (*one.hot_slopes, one.gap) if one.gap else ()
            for column in (*one.slopes, one.along, *one.curves, *bent, *one.wider, one.error, one.varies):
                require_length(column, count, f"channel {one.label!r}, column of the nodes")
        for change in self.changes:
            for column in (*change.moves, change.air):
                require_length(column, count, f"change {change.key!r}, column of the nodes")
        keys = {change.key for change in self.changes}
        for key in (*self.rules.hotter, *(switch.change for switch in self.switches)):
            if key not in keys:
                message = f"teaching: no change {key!r}, only {', '.join(sorted(keys))}"
                raise MapError(message)
        if any(b <= a for a, b in zip(self.nodes, self.nodes[1:], strict=False)):
            message = "teaching: the nodes' points must rise"
            raise MapError(message)
