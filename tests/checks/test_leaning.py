"""How a line leans is the same whether its rows come one by one, as in a running service, or all at once."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from checks.blocks import Blocks
from checks.build import BlockBuilder
from checks.leaning import LEANS, Leaning
from checks.lines import Line, chain, rows_of
from tests.checks.runs_of_terminal import run_of, terminal

SEED = 5


def leaning_blocks() -> Blocks:
    """Two hours whose later half shows 2 % more in the control system, with rows that lack and rows that are not there."""
    print(f"seed {SEED}")
    blocks = BlockBuilder(terminal(), "TB-07").push(run_of("TB-07", 2.0, seed=SEED))
    column, half = blocks.roles.index("plc_flow"), len(blocks) // 2
    arrays = {name: getattr(blocks, name).copy() for name in ("mean", "first", "last")}
    for values in arrays.values():
        values[half:, column] *= 1.02
        values[half + 40 : half + 43, column] = np.nan
    return blocks.with_arrays(arrays)


def test_rows_one_by_one_lean_as_all_at_once() -> None:
    loop, blocks = terminal().loops["TB-07"], leaning_blocks()
    lines = chain(loop)
    whole = leans(lines, blocks, len(blocks))
    for step in (1, 8, 61):
        for few, all_at_once in zip(leans(lines, blocks, step), whole, strict=True):
            np.testing.assert_array_equal(few, all_at_once)
    for line, codes in zip(lines, whole, strict=True):
        assert codes.shape == (len(blocks), len(LEANS))
        assert not codes[: len(blocks) // 2].any()
        assert (codes[len(blocks) // 2 + 60 :].max(axis=0) == (1 if line.y_role == "plc_flow" else 0)).all()
        np.testing.assert_array_equal(leans([line], blocks, len(blocks))[0], codes)


def leans(lines: Sequence[Line], blocks: Blocks, step: int) -> list[NDArray[np.int8]]:
    """How each of these lines leans, the blocks pushed so many at a time."""
    loop = terminal().loops["TB-07"]
    looked = Leaning(lines, loop, [0.005] * len(lines))
    parts = [
        looked.push([rows_of(line, blocks[slice(at, at + step)], loop) for line in lines]) for at in range(0, len(blocks), step)
    ]
    return [np.concatenate(each) for each in zip(*parts, strict=True)]
