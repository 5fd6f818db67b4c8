"""What a page needs to forecast by itself: how its series move with what is unknown, and with a few changes of the day.

Everything is in the display units of the series. An unknown is a number of mean 0 and standard deviation 1; the last
one is that of the day, which every day has of its own.
"""

from dataclasses import dataclass, field

from maps.errors import MapError, require_length

Columns = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One series that is read and forecast, in its own unit; a column has a value at every node."""

    key: str  # heading of its column in a file of readings
    label: str
    short: str  # name where there is little room
    series: int  # number of the track's series
    sd: float  # error of a reading
    low: float  # readings below are refused
    high: float  # readings above are refused
    lag_min: float = 0.0  # time constant with which it follows a change
    lasting_min: float = 1.0  # how long the forecast's own error lasts
    caution: float | None = None  # where its alarm sounds
    grows_from: float = 0.0  # above this the forecast's own error grows
    least: float = 0.0  # size of that error below
    stays: float = 0.0  # share of that error that no reading takes off: the sender's own
    slopes: Columns = ()  # by unknown: change for one standard deviation
    along: tuple[float, ...] = ()  # sum of the slopes for one standard deviation of all that heats it
    curves: Columns = ()  # what it does beyond `along`, at each of the rules' `curve_at`
    hot_slopes: Columns = ()  # the slopes far above the forecast, behind a bend; empty where there is none
    gap: tuple[float, ...] = ()  # how far below the forecast the line of those slopes passes; empty likewise
    wider: Columns = ()  # how much further above the expected the upper edge lies in each air of `Rules.hotter`
    error: tuple[float, ...] = ()  # size of the forecast's own error
    varies: tuple[float, ...] = ()  # how much the series changes within minutes


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
    """Numbers of the method, see `thermal.taught` and `thermal.discrepancy`, in standard deviations unless said."""

    shares: tuple[float, ...]  # sizes of the forecast's own error on this car, as shares of its class's
    middle: float  # the likeliest share
    width: float  # how far shares scatter about it, in logarithms
    alike: tuple[float, float, float, float]  # shares of its variance: car, day, road, what comes and goes
    quick: float  # time of what comes and goes, as a share of the time of the road's part
    grows: float  # of a degree, by which that error grows with every degree beyond the logged [-]
    beyond: float  # readings further from what is expected are not believed
    hotter: tuple[str, ...]  # changes in whose air the widths were computed, the coolest first
    curve_at: tuple[float, float, float]  # where the curves were tried: one below, two above; extrapolated beyond
    upper: float  # where the upper edge of the band lies
    late_min: float  # a reading later than this against the plan is less sure
    late_per_h: float  # by how much an hour [display unit]
    far_min: float  # a reading later than this is not used
    hot_air: float  # how much hotter the air of the second slopes is [display unit]
    soft: float  # size of the rounding of a bend [display unit]
    bends: float  # a smaller gap is none [display unit]
    moment: float  # a reading belongs to about its moment, not to it exactly [display unit]
    note: float  # differences below this are none [display unit]


@dataclass(frozen=True, slots=True, kw_only=True)
class Teaching:
    """All of it, and what a file of readings is written with."""

    nodes: tuple[int, ...]  # points of the track, rising
    channels: tuple[Channel, ...]  # the air last; it has no slopes
    changes: tuple[Change, ...]
    switches: tuple[Switch, ...]
    peaks: tuple[Peak, ...]
    rules: Rules
    day_sd: tuple[float, ...]  # standard deviation of the air, by day
    stops: tuple[str, ...]  # keys of the places in driving order, between which lie the legs
    file: str  # name of the file
    unit: str  # as the file's headings write it
    band: float  # a margin below this is thin
    slower_min: tuple[float, ...]  # time that slower grades have cost by every node
    known: tuple[str, ...] = field(default=())  # readings behind the forecast, place and values as the page writes them
    blind: tuple[int, ...] = ()  # legs with a road of unknown heights: behind the last one a reading tells what it did
    told: tuple[float, ...] = ()  # what may be lost on every leg all the same

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
