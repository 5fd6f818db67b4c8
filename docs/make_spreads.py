"""Write docs/spreads.md: python docs/make_spreads.py. Spreads of the factors from the ranges of a class's values."""

from collections.abc import Iterator

import basics
import numpy as np
from cars import CLASS_NAMES, read_class

from thermal.bands import read_bands
from thermal.drive import steady_drive
from thermal.fluids import FACTORS
from thermal.stated import MULTIPLIES, band_slopes, moved, outside_range, stated_slopes, within_bands

HEAD = """# Spreads of the factors, from the ranges beside the values

Written by `python docs/make_spreads.py`; do not edit by hand. Each ASSUMED value of a class states a range in its
source, a 90 % interval. `thermal.stated` moves each value to both ends of its range on a grade of 5 % and compares what
each factor multiplies.

- *Ranges*: the values independent of each other. This is an upper bound: a class's values were chosen together.
- *Ranges and bands*: the same, on condition that the class lies in its bands of the trade ([bands.md](bands.md)), each
  taken to hold nine cars in ten. Linear and Gaussian.
- *Used*: standard deviation of ln(factor) in every forecast (`thermal.fluids.FACTORS`), the same for every class.

"""
CLASSES = (
    "estate-1990s-six",
    "hatch-1990s-four",
    "pickup-1970s-v8",
    "pickup-1990s-v8-tow",
    "saloon-1980s-v8-automatic",
    "saloon-2000s-diesel",
)
GRADE = steady_drive(minutes=1.0, speed_m_per_s=20.0, grade=0.05, air_k=308.0)


def span(values: list[float]) -> str:
    """Smallest to largest over the classes."""
    low, high = f"{min(values):.2f}", f"{max(values):.2f}"
    return low if low == high else f"{low}–{high}"


def spreads() -> Iterator[tuple[str, ...]]:
    """Rows of the factors."""
    bands = read_bands(basics.ROOT / "data" / "bands.toml")
    alone, both = ({name: list[float]() for name in MULTIPLIES} for _ in range(2))
    most: dict[str, dict[str, float]] = {name: {} for name in MULTIPLIES}
    for base in CLASSES:
        held = read_class(base)
        values = moved(held)
        slopes = stated_slopes(held, values, GRADE)
        left = within_bands(slopes, band_slopes(values, bands, base=base))
        for name, slope in slopes.items():
            if not np.any(slope):
                continue
            alone[name].append(float(np.sqrt(np.sum(slope**2))))
            both[name].append(left[name])
            for one, share in zip(values, np.abs(slope), strict=True):
                most[name][one.key] = max(most[name].get(one.key, 0.0), float(share))
    for name in MULTIPLIES:
        first = sorted(most[name], key=lambda key: -most[name][key])[:2]
        keys = ", ".join(f"`{key}`" for key in first if most[name][key] > 0.02)
        yield f"`{name}`", span(alone[name]), span(both[name]), f"{FACTORS[name].spread:.2f}", keys


def strays() -> Iterator[tuple[str, ...]]:
    """Rows of the values that lie outside the range beside them."""
    for base in CLASS_NAMES:
        for entry in outside_range(read_class(base)):
            yield base, f"`{entry.key}`", entry.text, entry.source.removeprefix("ASSUMED: ")


SAID = """
## Which is right

The spreads used are close to what ranges and bands allow together; ranges alone would give about twice as much. Where
they differ:

- `oil_coolant` is wider than its range; `oil_cooler`, `radiator`, `gearbox_heat` and the losses are narrower. On cars
  of another structure ([readings.md](readings.md)) the 90 % intervals of coolant, engine oil and differential without
  readings hold on 90 % of the legs or more, and 98 % of the margins of 90 % are kept. Wider spreads would be further
  off, so the ones used stay.
- The transmission's intervals held too seldom (automatics 66 %, now 80 %). The two causes have no value in a class
  file; the factors `converter` and `tank` draw them.

## Values outside their own range

They were chosen so that the class lies in its bands, or the range is that of another size. Either the value or the
range is wrong; nobody has measured which.

"""

if __name__ == "__main__":
    page = HEAD + f"Smallest to largest of {len(CLASSES)} classes: {', '.join(CLASSES)}.\n\n"
    page += basics.table(("factor", "ranges", "ranges and bands", "used", "values that move it most"), spreads()) + "\n"
    page += SAID + basics.table(("class", "value", "stands at", "its source says"), strays()) + "\n"
    (basics.DOCS / "spreads.md").write_text(page, encoding="utf-8")
