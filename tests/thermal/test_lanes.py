"""Draws stepped side by side against the same draws one by one; against LSODA: test_network.py."""

from types import SimpleNamespace

import numpy as np
import pytest
from cars import join, parked, with_part

from thermal import compiler, kernel
from thermal.compiled import Entry
from thermal.compiler import _told_apart as told_apart
from thermal.drive import Drive, steady_drive
from thermal.fluids import N_FLUID
from thermal.simulate import simulate
from thermal.spread import draw
from thermal.vehicle import Vehicle

_SAME_K = 1e-3  # a step taken or not by the last digit of its error; the tolerance of a step is 5e-3


def _mixed() -> Drive:
    """Motorway, pass, a halt with the engine off, the way down, standing with the engine on."""
    air_k = 303.15
    return join(
        steady_drive(minutes=20.0, speed_m_per_s=29.0, grade=0.005, air_k=air_k, ac_on=True),
        steady_drive(minutes=15.0, speed_m_per_s=18.0, grade=0.065, air_k=air_k, ac_on=True, elevation_m=300.0),
        parked(10.0, air_k - 8.0, 1600.0),
        steady_drive(minutes=10.0, speed_m_per_s=17.0, grade=-0.06, air_k=air_k - 6.0, elevation_m=1600.0),
        steady_drive(minutes=8.0, speed_m_per_s=0.0, grade=0.0, air_k=air_k, ac_on=True),
    )


def _one_by_one(monkeypatch):
    monkeypatch.setattr(kernel, "_LEAST_LANES", 10**9)


@pytest.mark.parametrize("fan", ["electric", "viscous", "fixed"])
@pytest.mark.parametrize("n_draw", [3, 8, 13])
def test_side_by_side_is_as_one_by_one(estate: Vehicle, fan: str, n_draw: int, monkeypatch) -> None:
    car, drive = with_part(estate, "cooling", fan=fan), _mixed()
    factors, shift = draw(16, ambient_sd_k=np.full(1, 4.0))
    given = {"factors": kernel.Factors(*(f[:n_draw] for f in factors)), "ambient_k": shift[:n_draw]}
    beside = simulate(drive, car, **given)
    _one_by_one(monkeypatch)
    single = simulate(drive, car, **given)
    # A switched fan turns over a moment sooner or later where a step was taken otherwise.
    off = np.abs(beside.temps_k - single.temps_k)
    assert off.max() < (0.02 if fan == "electric" else _SAME_K)
    assert np.abs(beside.margin_k - single.margin_k).max() < 0.01
    assert beside.where.shape == (n_draw, 1, N_FLUID)
    assert beside.heat_in_j == pytest.approx(single.heat_in_j, rel=1e-5)


def test_a_draw_does_not_see_its_neighbours(estate: Vehicle) -> None:
    drive = _mixed()
    factors, shift = draw(16, ambient_sd_k=np.full(1, 4.0))
    whole = simulate(drive, estate, factors=factors, ambient_k=shift)
    order = np.random.default_rng(1).permutation(16)
    mixed = simulate(drive, estate, factors=kernel.Factors(*(f[order] for f in factors)), ambient_k=shift[order])
    assert np.array_equal(mixed.margin_k, whole.margin_k[order])
    assert np.array_equal(mixed.temps_k, whole.temps_k[order])


def test_where_the_compiler_cannot_be_told_the_code_is_the_same(estate: Vehicle, monkeypatch) -> None:
    parts = compiler.load().core.compiler
    bare = SimpleNamespace(core=SimpleNamespace(compiler=SimpleNamespace(Compiler=parts.Compiler)))
    monkeypatch.setattr(compiler, "_told_apart", lambda _: told_apart(bare))
    assert told_apart(bare) is parts.Compiler
    drive = _mixed()
    given = dict(zip(("factors", "ambient_k"), draw(8, ambient_sd_k=np.full(1, 4.0)), strict=True))
    told = simulate(drive, estate, **given)
    plain = Entry(kernel._code, kernel._march_lanes.function, apart=True)
    monkeypatch.setattr(plain, "_kept", lambda: b"")
    monkeypatch.setattr(plain, "keep", lambda data: False)
    monkeypatch.setattr(kernel, "_march_lanes", plain)
    assert np.abs(simulate(drive, estate, **given).temps_k - told.temps_k).max() < _SAME_K
