"""How a line leans is the same whether its rows come one by one, as in a running service, or all at once."""

from __future__ import annotations

import numpy as np

from checks.blocks import Blocks
from checks.build import BlockBuilder
from checks.leaning import LEANS, Leaning
from checks.lines import chain
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
    for line in chain(loop):
        whole = Leaning(line, loop, 0.005).push(blocks)
        for step in (1, 8, 61):
            one = Leaning(line, loop, 0.005)
            parts = [one.push(blocks[slice(at, at + step)]) for at in range(0, len(blocks), step)]
            np.testing.assert_array_equal(np.concatenate(parts), whole)
        assert whole.shape == (len(blocks), len(LEANS))
        assert not whole[: len(blocks) // 2].any()
        assert (whole[len(blocks) // 2 + 60 :].max(axis=0) == (1 if line.y_role == "plc_flow" else 0)).all()
