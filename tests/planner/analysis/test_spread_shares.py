"""What the spread of a margin is made of, against draws whose variance is known by construction."""

from dataclasses import replace

import numpy as np
import pytest

from planner.analysis.spread_shares import AIR, REST, spread_shares
from planner.output.report import spread_sentence
from thermal.fluids import FACTORS, fluid_of

WORDS = {name: factor.words.partition(",")[0] for name, factor in FACTORS.items()}


def test_the_shares_add_up_and_name_the_sources_of_a_made_up_margin(minimal):
    # Var(3 x + 4 y + e) of independent x, y, e of unit variance is 9 + 16 + 1: elementary statistics.
    outlook, n = minimal.outlook, len(minimal.outlook.shift_k)
    rng = np.random.default_rng(1)
    x, y, e = (np.linalg.qr(rng.normal(size=(n, 40)))[0] * np.sqrt(n))[:, :3].T
    factors = type(outlook.factors)(*(np.exp(rng.normal(size=n) * 1e-9) for _ in FACTORS))._replace(airflow=np.exp(x))
    shift = np.repeat(y[:, None], outlook.shift_k.shape[1], axis=1)
    margin = outlook.spread.margin_k.copy()
    margin[:n, 0, fluid_of("coolant").index] = 3.0 * x + 4.0 * y + e
    made = replace(outlook, factors=factors, shift_k=shift, spread=replace(outlook.spread, margin_k=margin))
    found = {one.words: one.share for one in spread_shares(made, 0, "coolant")}
    assert sum(found.values()) == pytest.approx(1.0)
    assert found[WORDS["airflow"]] == pytest.approx(9.0 / 26.0, abs=0.05)
    assert found[AIR] == pytest.approx(16.0 / 26.0, abs=0.05)
    assert found[REST] == pytest.approx(1.0 / 26.0, abs=0.05)


def test_the_sources_are_those_of_the_fluid(minimal):
    shares = {one.words: one.share for one in spread_shares(minimal.outlook, 0, "differential")}
    steering = WORDS["steering_heat"]
    assert abs(shares[steering]) < 0.05 < shares[WORDS["axle_loss"]] + shares[REST]
    worst = minimal.worst(0)
    assert spread_sentence(minimal, worst).startswith("Main sources of uncertainty: ")
