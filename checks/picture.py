"""The picture of a block: a row of small integers that changes where something happens that is worth a judgement."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from checks.blocks import RUNS, Blocks
from checks.counts import AT_BACKGROUND, BEAM_ON, DEAD
from checks.current import CLIPPED_MA, OPEN_MA
from checks.signal import current_of_raw
from checks.state import MOVING_M_S, empty_below
from checks.tag_findings import absurd
from config.model import Loop

Floats = NDArray[np.float64]
Codes = NDArray[np.int8]

STANDS = ("frozen_counts", "frozen_current", "frozen_plc")
HAPPENS = ("zero_counts", "bad_flow", "failure_low", "failure_high")
SPEED_BANDS = (-0.5, -0.03, -0.01, 0.01, 0.03, 0.5)
LATE_S = 2.0
"""By so much the speed may be read later than that of the drive [s]: two devices are not read in the same moment."""
IN_BAND = 3
"""Band of a speed that agrees with the drive."""
HAPPENS_S = 3.0
AT_LIMIT_MA = 0.05
"""How far below its low limit an output that stands at it may be read: an empty belt whose flow swings below zero [mA]."""
RUNS_DOWN = 0.5
"""A speed that ends a block below this part of its highest is that of a belt that runs down."""


class Picture:
    """Draws the blocks of one loop, each for itself but for what stands still: that must have stood through the block before too."""

    def __init__(self, loop: Loop) -> None:
        self._loop = loop
        self._stood = np.zeros((len(STANDS), 1), np.bool_)

    def of(self, blocks: Blocks) -> tuple[Codes, Codes]:
        """What is out of the ordinary when it changes, shape (B, K), and what the belt does, shape (B, 2).

        What a belt does by starting and stopping is not in the first: a signal that stands on a belt that stands, a speed that
        is not yet that of the drive.
        """
        stands = (blocks.state("stopped") > 0.0) | (blocks.state("unknown") > 0.0)
        settling = stands | (blocks.state("unsettled") > 0.0)
        full = 0.9 * blocks.length_s / blocks.step_s
        columns: list[NDArray[np.int64]] = [*(blocks.n >= full).T.astype(np.int64)]
        columns += [(blocks.state(state) > 0.0).astype(np.int64) for state in ("maintenance", "calibrating")]
        columns += [*self._still(blocks, stands).astype(np.int64)]
        for run in HAPPENS:
            columns.append((blocks.run_longest[:, RUNS.index(run)] >= HAPPENS_S).astype(np.int64))
        columns += [*self._levels(blocks, settling), self._contradiction(blocks)]
        belt = np.stack([np.maximum(np.argmax(blocks.state_s[:, :4], axis=1), 1) - 1, blocks.state("unsettled") > 0.0]).T
        return np.stack(columns).astype(np.int8).T, belt.astype(np.int8)

    def _still(self, blocks: Blocks, stands: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """What stands still for a second block, shape (len(STANDS), B): a steady current does so for one by chance."""
        whole = (blocks.run_longest.T[[RUNS.index(run) for run in STANDS]] >= blocks.length_s) & ~stands
        before = np.concatenate([self._stood, whole[:, :-1]], axis=1)
        self._stood = whole[:, -1:]
        return np.asarray(whole & before)

    def _levels(self, blocks: Blocks, settling: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
        loop, gauge = self._loop, self._loop.gauge
        empty = gauge.empty_belt_rate or 0.0
        counts, temperature, current = loop.limits.counts, loop.limits.temperature, loop.limits.current
        bands = [
            gauge.background * DEAD, gauge.background * AT_BACKGROUND, BEAM_ON * empty, empty * (1.0 + counts.above_empty / 100.0),
        ]  # fmt: skip
        out = [_band(blocks.of("mean", "count_rate"), sorted(bands))]
        hot = (temperature.fault_low, temperature.suspect_low, temperature.suspect_high, temperature.fault_high)
        out.append(_band(blocks.of("mean", "detector_temperature"), hot))
        levels = (OPEN_MA, current.failure_low, current.measuring_low - AT_LIMIT_MA, CLIPPED_MA, current.failure_high)
        out.append(_band(blocks.of("mean", "loop_current"), levels))
        out.append(_band(current_of_raw(blocks.of("mean", "ai_raw"), loop.plc.raw_span), levels))
        out.append(_band(blocks.of("mean", "flow"), (gauge.range.high,)))
        if loop.drive.speed_at_nominal is not None:
            scale = loop.drive.speed_at_nominal / loop.drive.nominal_frequency
            demanded = blocks.of("mean", "drive_speed") * scale
            swing = (blocks.of("maximum", "drive_speed") - blocks.of("minimum", "drive_speed")) * scale
            with np.errstate(divide="ignore", invalid="ignore"):
                off = blocks.of("mean", "speed") - demanded
                off = np.copysign(np.maximum(np.abs(off) - LATE_S / blocks.length_s * swing, 0.0), off)
                ratio = np.where(demanded > MOVING_M_S, off / demanded, np.nan)
            out.append(np.where(settling | np.isnan(demanded), IN_BAND, _band(ratio, SPEED_BANDS)))
        out.append(np.asarray(absurd(blocks.mean).any(axis=1), np.int64))
        return out

    def _contradiction(self, blocks: Blocks) -> NDArray[np.int64]:
        """What a belt that stands or runs throughout cannot show: a speed that says the other, a flow that stands above zero."""
        stopped = (blocks.state("stopped") >= blocks.length_s) & (blocks.covered_s >= blocks.length_s)
        runs = blocks.state("loaded") + blocks.state("empty") >= blocks.length_s
        code = np.zeros(len(blocks), np.int64)
        with np.errstate(invalid="ignore"):
            least, most = blocks.of("minimum", "speed"), blocks.of("maximum", "speed")
            code += stopped & (least > MOVING_M_S) & (least > RUNS_DOWN * most)
            code += 2 * (runs & (most < MOVING_M_S))
            for place, role in enumerate(("flow", "plc_flow")):
                lowest, highest = blocks.of("minimum", role), blocks.of("maximum", role)
                held = stopped & (lowest > empty_below(self._loop)) & (lowest == highest)
                code += (4 << place) * held
        return code


def _band(values: Floats, edges: Sequence[float]) -> NDArray[np.int64]:
    """Number of edges that lie below each value; -1 where there is no value."""
    return np.where(np.isnan(values), -1, np.searchsorted(np.asarray(edges, np.float64), values))
