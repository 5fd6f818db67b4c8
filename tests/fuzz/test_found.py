"""Every case that once broke a reader, again; and some hundred changed examples for each, always the same ones."""

import random

import pytest
from campaign import FOUND, folder_of, targets
from contract import fault_of
from mutate import mutate

TARGETS = targets()
CASES = [(name, path) for name in TARGETS for path in sorted(folder_of(name).glob("*.case"))]


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
    for number in range(200 if len(seeds) else 0):
        data = rng.choice(seeds) if number >= len(seeds) else seeds[number]
        data = mutate(data, rng) if number >= len(seeds) else data
        fault = fault_of(run, data)
        assert fault is None, f"{data[:300]!a}\n{fault.text}"
