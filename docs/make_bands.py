"""Write docs/bands.md: python docs/make_bands.py. Every number is computed here from the code as it stands."""

from itertools import groupby

import basics
from cars import CLASS_NAMES, LONG_GRADES, SPEEDS_MPH, gearbox_by_speed_c, read_class

from thermal.bands import STATES, Band, Cell, compare, rated_trailer, read_bands

HEAD = """# Cars in everyday states, against the bands of the trade

Written by `python docs/make_bands.py` from the code and `data/bands.toml`; do not edit by hand. For your own car:
`grademargin check DIR --usual`.

The bands are common practice, no source. The classes' assumed numbers were chosen to lie in them: the tables show
that a class behaves as an owner expects, and are no evidence for the model. Temperatures in °C, differences in K,
times in minutes; **bold**: outside the band. *over*: above the thermostat's opening; *over coolant*: above the
coolant. Air stays at 100 °F all the way up a grade, which is harder than a real one. A dash: the class has no such
part, has no tow rating, or is not used for laps.

"""
WHY = {
    ("camper-1970s", "coolant"): "no A/C and little power: its fan, on the pump's shaft, catches up between lights",
    ("camper-1970s", "engine_oil"): "the oil follows the coolant",
    ("coupe-1970s-v8", "coolant"): "a thermostat of 82 degC, and a clutch that feels the hot air of a standing car",
    ("coupe-1990s-turbo", "coolant"): "radiator sized for full boost, far above this state",
    ("crossover-2010s", "transmission"): "converter locked from low speed: little heat in the cold",
    ("estate-1990s-six", "coolant"): "a thermostat of 85 degC, and a clutch that feels the hot air of a standing car",
    ("four-by-four-1990s-diesel", "coolant"): "a diesel idles cool, its thermostat opens at 82 degC",
    ("four-by-four-1990s-diesel", "engine_oil"): "the oil follows the coolant",
    ("pickup-1990s-v8-tow", "transmission"): "solo it uses a third of its gearbox's rating",
    ("pickup-2000s-diesel-tow", "coolant"): "a large diesel at light load warms slowly, and idles cool",
    ("pickup-2000s-diesel-tow", "engine_oil"): "at the edge of its band",
    ("pickup-2000s-diesel-tow", "transmission"): "solo it uses a third of its gearbox's rating",
    ("roadster-1960s-four", "coolant"): "no A/C, and its engine-driven fan catches up between lights",
    ("van-1980s-diesel", "coolant"): "a diesel idles cool: the thermostat hardly opens",
    ("saloon-1970s-six", "coolant"): "a thermostat of 82 degC, and a clutch that feels the hot air of a standing car",
    ("saloon-1980s-v8-automatic", "transmission"): "at the edge of its band",
}


def band_said(band: Band) -> str:
    """A band as the heading of its column."""
    words = {"over thermostat": "over ", "over coolant": "over coolant ", "rise": "rise ", "minutes": "to "}
    reach = f"{band.reach_c:g} °C, min " if band.kind == "minutes" else ""
    kind = "peak after, min " if band.kind == "rise time" else words.get(band.kind, "")
    only = " ".join(word for word in (band.box, band.only) if word)
    return f"{band.fluid.replace('_', ' ')} {kind}{reach}{band.low:g}–{band.high:g}" + (f" ({only})" if only else "")


def cell_said(cell: Cell | None) -> str:
    """Text of one cell."""
    if cell is None:
        return "–"
    text = f"{cell.found:.{1 if cell.band.kind in ('rise', 'rise time', 'minutes') else 0}f}"
    return text if cell.inside else f"**{text}**"


SLOWING = """
## Slowing down on a long grade

Highest fluid temperature of every automatic with its rated trailer, 100 °F, A/C on, by speed driven, or by the
highest speed it holds. There is no cliff: a step of 2 mph changes it by no more than the converter clutch opening or
closing may (13 to 24 K, common practice), and a car that slows far enough is always cooler. A test checks this.

![Gearbox temperature by speed on two long grades](img/slowing.svg)
"""


def plot() -> None:
    """Draw the gearbox's peak by speed on the two grades."""
    import matplotlib as mpl

    mpl.use("svg")
    mpl.rcParams["svg.hashsalt"] = "grademargin"
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(1, 2, figsize=(9, 3.6), sharey=True)
    automatic = [name for name in CLASS_NAMES if read_class(name).vehicle.gearbox.kind == "automatic"]
    for axis, grade in zip(axes, LONG_GRADES, strict=True):
        for name in automatic:
            axis.plot(SPEEDS_MPH, gearbox_by_speed_c(rated_trailer(read_class(name).vehicle), grade), label=name)
        axis.set_title(grade)
        axis.set_xlabel("mph")
        axis.grid(alpha=0.3)
    axes[0].set_ylabel("gearbox °C")
    axes[1].legend(fontsize=7)
    figure.tight_layout()
    figure.savefig(basics.DOCS / "img" / "slowing.svg", metadata={"Date": None})


def main() -> None:
    """Drive every class through every state and write the page."""
    bands = read_bands(basics.ROOT / "data" / "bands.toml")
    cells = {name: {c.band: c for c in compare(read_class(name).vehicle, bands, base=name)} for name in CLASS_NAMES}
    text = HEAD
    for state, group in groupby(bands, lambda band: band.state):
        columns = list(group)
        rows = ((name, *(cell_said(cells[name].get(band)) for band in columns)) for name in CLASS_NAMES)
        text += f"## {STATES[state][0][0].upper()}{STATES[state][0][1:]}\n\n"
        text += basics.table(("class", *map(band_said, columns)), rows) + "\n\n"
    every = [(name, cell) for name, held in cells.items() for cell in held.values()]
    outside = [(name, cell) for name, cell in every if not cell.inside]
    share = f"{len(outside)} of {len(every)} cells ({100 * len(outside) / len(every):.1f} %)"
    rows = (
        (name, cell.band.state, band_said(cell.band), cell_said(cell).strip("*"), WHY[name, cell.band.fluid])
        for name, cell in outside
    )
    text += f"## Outside the bands\n\n{share}.\n\n"
    text += basics.table(("class", "state", "band", "found", "why"), rows) + "\n"
    (basics.DOCS / "bands.md").write_text(text + SLOWING, encoding="utf-8")
    plot()


if __name__ == "__main__":
    main()
