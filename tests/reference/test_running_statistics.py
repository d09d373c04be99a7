"""Means and spreads of blocks and of their merging against the univariate sets of NIST StRD.

NumAcc1 and NumAcc4: data and certified values from memory, right by construction. The textbook formula (sum of squares less
n times the squared mean) gives NumAcc4 a variance of -2.0; Chan's update, which the blocks use, must not.
"""

from __future__ import annotations

import numpy as np
import pytest

from checks.blocks import Blocks
from checks.engine import LoopEngine
from checks.merge import merge_rows
from tests.checks.runs_of_terminal import samples_by_hand, small_site

NUMACC1 = np.array([10_000_001.0, 10_000_003.0, 10_000_002.0])
NUMACC4 = np.concatenate([[10_000_000.2], np.tile([10_000_000.1, 10_000_000.3], 500)])


def blocks_of(values: np.ndarray) -> Blocks:
    """Blocks of 10 s of a flow of these values; the last block is closed by a second without a reading."""
    padded = np.concatenate([values, np.full(10 - len(values) % 10, np.nan)])
    engine = LoopEngine(small_site(("flow",)), "TB-07")
    engine.push(samples_by_hand({"flow": padded}), evaluate=False)
    return engine.window(1_800_000_000 + len(padded)).blocks


def whole(values: np.ndarray) -> tuple[float, float]:
    merged = merge_rows(blocks_of(values), 3600)
    assert len(merged) == 1
    assert merged.of("n", "flow")[0] == len(values)
    return float(merged.of("mean", "flow")[0]), float(np.sqrt(merged.of("m2", "flow")[0] / (len(values) - 1)))


def test_numacc1() -> None:
    mean, spread = whole(NUMACC1)
    assert mean == pytest.approx(10_000_002.0, abs=1e-9)
    assert spread == pytest.approx(1.0, rel=1e-12)


def test_numacc4() -> None:
    mean, spread = whole(NUMACC4)
    assert mean == pytest.approx(10_000_000.2, rel=1e-14)
    assert spread == pytest.approx(0.1, rel=1e-6)


def test_textbook_formula_fails_where_the_blocks_hold() -> None:
    squares = total = 0.0
    for value in NUMACC4.tolist():
        squares, total = squares + value * value, total + value
    naive = (squares - total * total / len(NUMACC4)) / (len(NUMACC4) - 1)
    print(f"variance {naive:.4f}, certified 0.01")
    assert abs(naive - 0.01) > 0.02
