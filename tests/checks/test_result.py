"""The one rule by which a deviation with its uncertainty becomes a verdict."""

from __future__ import annotations

import math

import numpy as np
import pytest

from checks.result import Verdict, judge

SUSPECT, FAULT = 0.25, 0.5


@pytest.mark.parametrize(
    ("deviation", "uncertainty", "verdict"),
    [
        (0.2, 0.1, Verdict.OK),
        (0.3, 0.1, Verdict.SUSPECT),
        (0.3, 0.4, Verdict.OK),
        (-0.61, 0.1, Verdict.FAULT),
        (0.9, 0.45, Verdict.SUSPECT),
        (1.7, 0.8, Verdict.FAULT),
        (1.4, 0.8, Verdict.NOT_EVALUATED),
        (0.1, 0.8, Verdict.NOT_EVALUATED),
        (math.nan, 0.1, Verdict.NOT_EVALUATED),
        (0.1, math.nan, Verdict.NOT_EVALUATED),
    ],
)
def test_rule(deviation: float, uncertainty: float, verdict: Verdict) -> None:
    assert judge(deviation, uncertainty, SUSPECT, FAULT) is verdict


@pytest.mark.parametrize("sigma", [0.1, 0.3, 1.0, 3.0])
def test_chance_gives_no_fault_however_little_is_known(sigma: float) -> None:
    """Two-sided tail of four standard deviations: 6.3e-5 (tables of the normal distribution)."""
    seed, looks = 4, 200_000
    print(f"seed {seed}")
    deviations = np.random.default_rng(seed).normal(0.0, sigma, looks)
    faults = sum(judge(float(each), 2.0 * sigma, SUSPECT, FAULT) is Verdict.FAULT for each in deviations)
    assert faults <= 30  # 12.7 expected at most; more than 30 once in 50,000 runs
