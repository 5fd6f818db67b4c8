"""Every case that once broke a reader, again; and up to 200 changed examples for each, always the same ones."""

import random
import time

import pytest
from campaign import FOUND, folder_of, targets
from contract import fault_of
from mutate import mutate

TARGETS = targets()
CASES = [(name, path) for name in TARGETS for path in sorted(folder_of(name).glob("*.case"))]
MOST, MOST_S = 200, 1.0  # of each reader, and seconds of the processor after which a slow one has had enough


@pytest.mark.parametrize(("name", "path"), CASES, ids=[f"{name}-{path.stem}" for name, path in CASES])
def test_a_fault_found_stays_mended(name, path):
    fault = fault_of(TARGETS[name][0], path.read_bytes())
    assert fault is None, fault.text


def test_every_stored_case_belongs_to_a_target():
    assert {path for _, path in CASES} == set(FOUND.rglob("*.case"))


@pytest.mark.parametrize("name", TARGETS)
def test_changed_examples_are_read_or_told(name):
    run, seeds = TARGETS[name]
    rng = random.Random(name)
    cases = [*seeds, *(mutate(rng.choice(seeds), rng) for _ in range(MOST - len(seeds)))]
    end_s = time.process_time() + MOST_S
    for data in cases:
        fault = fault_of(run, data)
        assert fault is None, f"{data[:300]!a}\n{fault.text}"
        if time.process_time() > end_s:
            break
