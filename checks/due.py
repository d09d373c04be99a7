"""Which blocks are judged: those whose picture has changed of late, and one in five minutes.

A block whose picture is that of the blocks before it can say nothing new but for what takes long stretches to see, and that is
asked at the beat. The picture is a row of small integers: which readings are there, in which band each level lies, what
stands still, what the belt does, whether a line leans. Live and replay judge the same blocks, so they tell the same.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from checks.blocks import RUNS, Blocks
from checks.counts import AT_BACKGROUND, BEAM_ON, DEAD
from checks.current import CLIPPED_MA, OPEN_MA
from checks.leaning import BRIEF, Leaning
from checks.lines import chain
from checks.signal import current_of_raw
from checks.state import MOVING_M_S
from checks.tag_findings import absurd
from config.model import Loop

Floats = NDArray[np.float64]
Codes = NDArray[np.int8]

BEAT_S = 300
"""A block that ends here on the clock is judged whatever its picture says [s]."""
HOLD_S = 180
"""How long after a change every block is judged: longer than any check of the last minutes looks back [s]."""
AWAKE_S = 600
"""How long after the last finding blocks are judged at the steps of STANDING_S [s]: its return is told in time."""
STANDING_S = 30
"""While what is told stays the same, a block that ends here on the clock is judged: as often as a line is fitted anew [s]."""
FRESH_S = 360
"""How long after what is told has changed every block is judged: longer than a finding stands before it is raised, named,
refined or gone [s]."""
PRESSING_S = 30
"""How long after a line began to lean every block is judged, and the fit of the line asked anew [s]."""
STANDS = ("frozen_counts", "frozen_current", "frozen_plc")
HAPPENS = ("zero_counts", "bad_flow", "failure_low", "failure_high")
SPEED_BANDS = (-0.5, -0.03, -0.01, 0.01, 0.03, 0.5)


class Due:
    """Says of each block of one loop whether it is judged. The chunks in which the blocks come do not matter."""

    def __init__(self, loop: Loop) -> None:
        self._loop = loop
        self._lines = [Leaning(line, loop.plc.filter if line.y_role == "plc_flow" else 0.0) for line in chain(loop)]
        self._before: Codes | None = None
        self._changed_s: int | None = None
        self._leant_s: int | None = None
        self._drawn_s: int | None = None
        self.only_leans: frozenset[int] = frozenset()
        """Begins of the blocks of the last `push` that are judged for no more than that a line leant or leant no longer a while ago."""
        self.pressing: frozenset[int] = frozenset()
        """Begins of the blocks of the last `push` before which a line began to lean so lately that it must be asked anew."""

    def push(self, blocks: Blocks, events_s: Sequence[int] = ()) -> NDArray[np.bool_]:
        """Whether each block is judged, shape (B,); `events_s` are moments at which something happened [epoch s]."""
        if not len(blocks):
            self.pressing = self.only_leans = frozenset()
            return np.zeros(0, np.bool_)
        leans = [line.push(blocks) for line in self._lines]
        lasting = [each[:, BRIEF:] for each in leans]
        picture = self._picture(blocks)
        codes = np.concatenate([picture, *lasting, *leans], axis=1)
        before = codes[:1] if self._before is None else self._before[None, :]
        moved = np.diff(np.concatenate([before, codes]), axis=0) != 0
        width = sum(each.shape[1] for each in leans)
        changed = moved[:, : codes.shape[1] - width].any(axis=1)
        leant = (moved & (codes != 0))[:, codes.shape[1] - width :].any(axis=1)
        drawn = moved[:, : picture.shape[1]].any(axis=1)
        changed[0] |= self._before is None
        rows = np.searchsorted(blocks.start_s, np.asarray(events_s, np.int64), side="right") - 1
        inside = (rows >= 0) & (np.asarray(events_s, np.int64) < blocks.start_s[rows] + blocks.length_s)
        changed[rows[inside]] = drawn[rows[inside]] = True
        self._before = codes[-1]
        last = _last(changed, blocks.start_s, self._changed_s)
        lean = _last(leant, blocks.start_s, self._leant_s)
        otherwise = _last(drawn, blocks.start_s, self._drawn_s)
        self._changed_s, self._leant_s, self._drawn_s = int(last[-1]), int(lean[-1]), int(otherwise[-1])
        self.pressing = frozenset(blocks.start_s[blocks.start_s - lean < PRESSING_S].tolist())
        ends = blocks.start_s + blocks.length_s
        beat = (ends // BEAT_S) != (blocks.start_s // BEAT_S)
        due = beat | (blocks.start_s - last < HOLD_S) | (blocks.start_s - lean < PRESSING_S)
        other = beat | (blocks.start_s - otherwise < HOLD_S) | (blocks.start_s - lean < PRESSING_S)
        self.only_leans = frozenset(blocks.start_s[due & ~other].tolist())
        return np.asarray(due)

    def _picture(self, blocks: Blocks) -> Codes:
        """The classes of every block, shape (B, K)."""
        full = 0.9 * blocks.length_s / blocks.step_s
        columns: list[NDArray[np.int64]] = [*(blocks.n >= full).T.astype(np.int64)]
        columns += [np.maximum(np.argmax(blocks.state_s[:, :4], axis=1), 1)]  # whether load passes says nothing by itself
        columns += [(blocks.state(state) > 0.0).astype(np.int64) for state in ("maintenance", "calibrating", "unsettled")]
        for run in STANDS:
            columns.append((blocks.run_longest[:, RUNS.index(run)] >= blocks.length_s).astype(np.int64))
        for run in HAPPENS:
            columns.append((blocks.run_longest[:, RUNS.index(run)] >= 3.0).astype(np.int64))
        columns += self._levels(blocks)
        return np.stack(columns, axis=1).astype(np.int8)

    def _levels(self, blocks: Blocks) -> list[NDArray[np.int64]]:
        loop, gauge = self._loop, self._loop.gauge
        empty = gauge.empty_belt_rate or 0.0
        counts, temperature, current = loop.limits.counts, loop.limits.temperature, loop.limits.current
        bands = [
            gauge.background * DEAD, gauge.background * AT_BACKGROUND, BEAM_ON * empty, empty * (1.0 + counts.above_empty / 100.0),
        ]  # fmt: skip
        out = [_band(blocks.of("mean", "count_rate"), sorted(bands))]
        hot = (temperature.fault_low, temperature.suspect_low, temperature.suspect_high, temperature.fault_high)
        out.append(_band(blocks.of("mean", "detector_temperature"), hot))
        levels = (OPEN_MA, current.failure_low, current.measuring_low, CLIPPED_MA, current.failure_high)
        out.append(_band(blocks.of("mean", "loop_current"), levels))
        out.append(_band(current_of_raw(blocks.of("mean", "ai_raw"), loop.plc.raw_span), levels))
        out.append(_band(blocks.of("mean", "flow"), (gauge.range.high,)))
        speed, drive = blocks.of("mean", "speed"), blocks.of("mean", "drive_speed")
        out.append(_band(speed, (MOVING_M_S,)))
        if loop.drive.speed_at_nominal is not None:
            demanded = drive / loop.drive.nominal_frequency * loop.drive.speed_at_nominal
            with np.errstate(divide="ignore", invalid="ignore"):
                out.append(_band(np.where(demanded > MOVING_M_S, speed / demanded - 1.0, np.nan), SPEED_BANDS))
        out.append(np.asarray(absurd(blocks.mean).any(axis=1), np.int64))
        return out


def _last(here: NDArray[np.bool_], start_s: NDArray[np.int64], before: int | None) -> NDArray[np.int64]:
    """Begin of the newest block up to each for which `here` holds [epoch s]; `before` is that of the blocks pushed before."""
    starts = np.where(here, start_s, np.int64(-(2**62)))
    if before is not None:
        starts[0] = max(int(starts[0]), before)
    return np.asarray(np.maximum.accumulate(starts))


def _band(values: Floats, edges: Sequence[float]) -> NDArray[np.int64]:
    """Number of edges that lie below each value; -1 where there is no value."""
    return np.where(np.isnan(values), -1, np.searchsorted(np.asarray(edges, np.float64), values))
