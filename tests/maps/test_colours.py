"""Colours that can meet are told apart by every reader: measured differences, with the four kinds of sight.

Simulated sight: Machado, Oliveira and Fernandes, A physiologically-based model for simulation of color vision
deficiency, IEEE TVCG 15(6), 2009, table 1, severity 1.0 (matrices from memory). Difference: CIE 1976 L*a*b*
(CIE 15:2004, 8.2.1), white D65, sRGB of
IEC 61966-2-1. Twenty is well above what is told apart side by side (about 2.3: Mahy and others, 1994; from memory).
"""

import re
from importlib.resources import files
from itertools import combinations

import numpy as np
import pytest

LEAST = 20.0
DRAWN = 6  # five fluids and the air; a seventh line would share its colour's neighbourhood, and has its dash and name
SIGHT = {
    "usual": np.eye(3),
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
TO_XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)
WHITE = np.array([0.95047, 1.0, 1.08883])


def lab(colour: str, sight: str) -> np.ndarray:
    values = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    linear = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    ratio = TO_XYZ @ np.clip(np.asarray(SIGHT[sight]) @ linear, 0.0, 1.0) / WHITE
    f = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def palettes() -> list[dict[str, str]]:
    """Colours of the page by name: light, dark, paper."""
    css = (files("maps") / "templates" / "page.css").read_text(encoding="utf-8")
    blocks = [block for block in re.findall(r":root \{(.*?)\}", css, re.DOTALL) if "--s0" in block]
    return [dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block)) for block in blocks]


def test_there_are_three_palettes():
    assert len(palettes()) == 3


@pytest.mark.parametrize("ground", [0, 1, 2], ids=["light", "dark", "paper"])
@pytest.mark.parametrize("sight", SIGHT)
def test_lines_that_can_cross_differ(ground, sight):
    colours = palettes()[ground]
    for a, b in combinations(range(DRAWN), 2):
        apart = np.linalg.norm(lab(colours[f"s{a}"], sight) - lab(colours[f"s{b}"], sight))
        assert apart >= LEAST, (a, b)


@pytest.mark.parametrize("ground", [0, 1, 2], ids=["light", "dark", "paper"])
@pytest.mark.parametrize("sight", SIGHT)
def test_levels_of_the_route_differ(ground, sight):
    colours = palettes()[ground]
    for a, b in combinations(("ample", "unknown", "thin", "exceeded"), 2):
        apart = np.linalg.norm(lab(colours[a], sight) - lab(colours[b], sight))
        assert apart >= LEAST, (a, b, apart)


def test_the_measure_can_fail():
    # Red and green of equal lightness, the textbook pair.
    assert np.linalg.norm(lab("#a05000", "deuteranopia") - lab("#6a6a00", "deuteranopia")) < LEAST
