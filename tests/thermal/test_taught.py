"""What readings teach, on cars drawn from the model itself; other structures: tests/planner/forecast."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from planner.forecast.assemble import find_route, read_inputs
from planner.forecast.run import ambient_sd_k
from thermal.discrepancy import CLASS_ERROR, UNFITTED
from thermal.fluids import FACTORS
from thermal.posterior import NOTHING
from thermal.simulate import simulate
from thermal.spread import draw
from thermal.taught import AIR, Observation, teach

FLUIDS = ("coolant", "engine_oil", "transmission", "differential")


@pytest.fixture(scope="module")
def alps(copy_example, tmp_path_factory: pytest.TempPathFactory):
    folder: Path = copy_example("alps", tmp_path_factory.mktemp("taught") / "trip")
    inputs = read_inputs(folder)
    return find_route(inputs).timeline, inputs.car.vehicle


def tops(line, count: int) -> list[int]:
    """Ends of the legs that climb most, in driving order."""
    spans = [span for span in line.spans if span.kind == "drive"]
    climbs = sorted(spans, key=lambda s: -float(np.sum(line.drive.grade[s.rows] * line.drive.length_m[s.rows])))
    return sorted(span.last for span in climbs[:count])


def observed(line, vehicle, rows, factors, shift, *, noise, rng, what=FLUIDS):
    """What gauges of a drawn car say."""
    temps = simulate(line.drive, vehicle, factors=factors, ambient_k=shift, record=np.array(rows)).temps_k[0]
    nodes = {"coolant": 1, "engine_oil": 2, "transmission": 3, "differential": 4}
    return [
        Observation(row=row, what=fluid, read_k=float(temps[i, nodes[fluid]] + rng.normal(0.0, noise)))
        for i, row in enumerate(rows)
        for fluid in what
    ]


def one_of(factors, i):
    return type(factors)(*(column[i : i + 1] for column in factors))


def test_readings_narrow_and_are_calibrated(alps):
    """Cars drawn from the prior, two places read: 90 % intervals of their factors hold, and the axle's are narrower."""
    line, vehicle = alps
    sd, rng = ambient_sd_k(line), np.random.default_rng(5)
    factors, shift = draw(16, ambient_sd_k=sd)
    rows, held, sds = tops(line, 2), [], []
    for i in range(16):
        seen = observed(line, vehicle, rows, one_of(factors, i), shift[i : i + 1], noise=3.0, rng=rng)
        found = teach(line.drive, vehicle, seen, air_sd_k=sd).posterior
        logs = np.log([getattr(factors, name)[i] for name in FACTORS])
        width = np.array([found.factors[name].sd for name in FACTORS])
        held.append(np.abs(logs - np.log(found.medians)) < 1.645 * width)
        sds.append(width)
    assert 0.85 <= np.mean(held) <= 0.97
    names = list(FACTORS)
    before = np.array([factor.spread for factor in FACTORS.values()])
    ratio = np.mean(sds, axis=0) / before
    assert ratio[names.index("axle_heat")] < 0.85
    assert ratio[names.index("steering_heat")] == pytest.approx(1.0, abs=0.01)  # nothing read bears on it


def test_confirming_readings_narrow_and_never_erase(alps):
    line, vehicle = alps
    sd, row = ambient_sd_k(line), tops(line, 1)[0]
    plain = teach(line.drive, vehicle, [Observation(row=row, what="differential", read_k=350.0)], air_sd_k=sd)
    as_expected = float(plain.expected_k[0])
    widths = []
    for count in (1, 3, 9):
        seen = [Observation(row=row, what="differential", read_k=as_expected)] * count
        found = teach(line.drive, vehicle, seen, air_sd_k=sd).posterior.factors["axle_heat"]
        assert found.value == pytest.approx(1.0, abs=0.05)
        widths.append(found.sd)
    assert FACTORS["axle_heat"].spread > widths[0] >= widths[1] >= widths[2]
    assert widths[2] > 0.4 * FACTORS["axle_heat"].spread  # the model's own error stays, however often it is read


def test_no_number_of_readings_takes_off_a_senders_own_error(alps):
    """Nine gauges that agree with a car of known sender error: what is left is not below the sender's part."""
    line, vehicle = alps
    row, sizes = tops(line, 1)[0], {}
    for sender_k in (0.0, 1.98):
        own = replace(CLASS_ERROR["differential"], sd_k=2.0, sender_k=sender_k)
        known = replace(NOTHING, discrepancy=replace(UNFITTED, fluids={**CLASS_ERROR, "differential": own}))
        sd = ambient_sd_k(line)
        plain = Observation(row=row, what="differential", read_k=350.0)
        read_k = float(teach(line.drive, vehicle, [plain], air_sd_k=sd, known=known).expected_k[0])
        seen = [replace(plain, read_k=read_k)] * 9
        found = teach(line.drive, vehicle, seen, air_sd_k=sd, known=known).posterior.discrepancy
        sizes[sender_k] = found.of("differential").sd_k
    assert sizes[0.0] < 1.95
    assert sizes[1.98] == pytest.approx(1.98)


def test_air_is_of_its_day_alone(alps):
    line, vehicle = alps
    sd, row = ambient_sd_k(line), tops(line, 1)[0]
    day = int(line.drive.day[row])
    seen = [Observation(row=row, what=AIR, read_k=float(line.drive.air_k[row]) + 6.0)]
    found = teach(line.drive, vehicle, seen, air_sd_k=sd)
    assert list(found.air) == [day]
    assert 2.0 < found.air[day][0] < 6.0
    assert found.air[day][1] < sd[day]
    assert found.posterior.medians == pytest.approx(np.ones(len(FACTORS)), abs=0.01)


def test_a_wrong_unit_is_told_and_not_believed(alps):
    line, vehicle = alps
    sd, (first, second) = ambient_sd_k(line), tops(line, 2)
    seen = [
        Observation(row=first, what="differential", read_k=180.0 + 273.15),  # degF taken for degC
        Observation(row=second, what="engine_oil", read_k=378.0),
    ]
    found = teach(line.drive, vehicle, seen, air_sd_k=sd)
    assert found.believed.tolist() == [False, True]
    assert found.posterior.factors["axle_heat"].sd == pytest.approx(FACTORS["axle_heat"].spread, abs=0.002)
