"""Stated intervals hold the truth: a few draws of the bench `tests/bench/coverage.py`, with the tolerance of so few."""

from __future__ import annotations

import pytest
from scipy.stats import binom

from tests.bench.coverage import draws, table

DRAWS, SEED = 40, 500


@pytest.mark.statistical
def test_onsets_tonnes_and_ranges_are_held_by_their_intervals() -> None:
    """Of n intervals of 95 % fewer than the stated number hold the truth in one of 500 runs."""
    found = list(draws(DRAWS, SEED))
    assert sum(item.finding is None for item in found) <= 1
    print(f"seeds {SEED} to {SEED + DRAWS - 1}")
    for name, (held, stated) in table(found).items():
        least = int(binom.ppf(0.002, stated, 0.95))
        print(f"{name:20} {held} of {stated}, at least {least}")
        assert held >= least, name
