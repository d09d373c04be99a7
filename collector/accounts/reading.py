"""The stored blocks of a loop for its accounts: minutes where they are kept, else hours, whatever tags the loop had meanwhile."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from checks.accounting.balance import usual_of
from checks.accounting.calendar import Period
from checks.accounting.stand_ins import Usual
from checks.accounting.unread import LONGEST_S, laid
from checks.blocks import ARRAYS, RUNS, STATES, TOTALS, Blocks
from checks.merge import concat
from collector.history.store import Store

MINUTE_S, HOUR_S, DAY_S = 60, 3600, 86400
FINE_S = 8 * DAY_S
"""Up to this length a time is read by the minute, above it by the hour [s]."""
CHUNK_S = {MINUTE_S: DAY_S, HOUR_S: 14 * DAY_S, DAY_S: 400 * DAY_S}
"""How much is asked for at once: inside it, the history gives the rows of one set of tags only."""
WHOLE = 0.999
BESIDE_S = 4 * HOUR_S
"""How far beside a shift minutes are read for totals that nobody read over its edge [s]."""
BY_STATE = ("n", "mean", "m2", "minimum", "maximum", "first", "last")


@dataclass(frozen=True, slots=True)
class Rows:
    """Blocks of a loop that hold tonnes, seconds and states and nothing of its tags, in order of time."""

    store: Store
    loop: str
    minutes: Blocks
    hours: Blocks

    def of(self, period: Period, void: Sequence[tuple[int, int]] = ()) -> Blocks:
        """The blocks of a period, and one before it, with totals laid over gaps. Hours where they say all there is to say: all of
        it was measured, and nothing is `void` (epoch s) or was worked on; else minutes where they cover as much. Hours that
        the period cuts are shared out evenly where their minutes are no longer kept."""
        fine, coarse = _around(self.minutes, period), _around(self.hours, period)
        if not _covered(fine, period) and not _plain(coarse, period, void):
            found = pieces(self.store, self.loop, MINUTE_S, period.begin - BESIDE_S, period.end + BESIDE_S)
            fine = _around(laid(plain(self.loop, MINUTE_S, found)), period)
        if _covered(fine, period) >= WHOLE * _covered(coarse, period):
            return fine
        length = math.gcd(HOUR_S, period.begin % HOUR_S, period.end % HOUR_S)
        return coarse if length == HOUR_S else _around(_shared(coarse, length), period)

    def usual(self, shifts: Sequence[Period], void: Sequence[tuple[int, int]]) -> Usual:
        """What a time has in common that its shifts are too short to tell."""
        return usual_of(self.hours if len(self.hours) > len(self.minutes) / 60 else self.minutes, shifts, void)


def rows_of(store: Store, loop: str, begin: int, end: int) -> Rows:
    """What is stored of a time [epoch s]; of a long one only the minutes behind the last stored hour."""
    hours = laid(plain(loop, HOUR_S, pieces(store, loop, HOUR_S, begin - LONGEST_S, end + LONGEST_S)))
    first = begin - LONGEST_S
    if end - begin > FINE_S and begin % HOUR_S == 0 and len(hours):
        first = max(first, int(hours.start_s[-1]) - DAY_S)
    return Rows(store, loop, laid(plain(loop, MINUTE_S, pieces(store, loop, MINUTE_S, first, end + LONGEST_S))), hours)


def pieces(store: Store, loop: str, length_s: int, begin: int, end: int) -> list[Blocks]:
    """Stored blocks that start in a time, oldest first; one piece for each set of tags."""
    out: list[Blocks] = []
    at = begin - begin % length_s
    while at < end:
        until, found = min(at - at % DAY_S + CHUNK_S[length_s], end), []
        following = until
        while until > at and (part := store.rollups(loop, length_s, at, until)) is not None and len(part):
            found.append(part)
            until = int(part.start_s[0])
        out += reversed(found)
        at = following
    return out


def plain(loop: str, length_s: int, parts: Sequence[Blocks]) -> Blocks:
    """Pieces without their tags, as one; of none, no rows."""
    return concat([_stripped(part) for part in parts]) if parts else nothing(loop, length_s)


def nothing(loop: str, length_s: int) -> Blocks:
    """Blocks without a row."""
    none = np.zeros((0, 0))
    columns = {"state_s": len(STATES), "increment_t": len(TOTALS), "discontinuities": len(TOTALS)}
    columns |= dict.fromkeys(("run_longest", "run_head", "run_tail"), len(RUNS))
    arrays = {name: np.zeros((0, width)) for name, width in columns.items()}
    flat = ("covered_s", "own_t", "plc_own_t", "measured_s", "plc_measured_s")
    return Blocks(
        loop=loop, length_s=length_s, step_s=1, roles=(), pairs=(), start_s=np.zeros(0, np.int64), pair_n=none, pair_x=none,
        pair_y=none, pair_c=none, **dict.fromkeys(BY_STATE, none), **arrays, **{name: np.zeros(0) for name in flat},
    )  # fmt: skip


def tonnes_between(blocks: Blocks, begin: int, end: int) -> tuple[float, float]:
    """Tonnes by the gauge flow and by the PLC flow in a time [t]; a block that is cut gives its part."""
    inside = np.minimum(blocks.start_s + blocks.length_s, end) - np.maximum(blocks.start_s, begin)
    part = np.clip(inside / blocks.length_s, 0.0, 1.0)
    return float(np.nansum(blocks.own_t * part)), float(np.nansum(blocks.plc_own_t * part))


def _stripped(blocks: Blocks) -> Blocks:
    count = len(blocks)
    none = np.zeros((count, 0))
    arrays = dict.fromkeys((*BY_STATE, "pair_n", "pair_x", "pair_y", "pair_c"), none)
    runs = {name: np.zeros((count, len(RUNS))) for name in ("run_longest", "run_head", "run_tail")}
    return blocks.with_arrays({name: getattr(blocks, name) for name in ARRAYS} | arrays | runs, roles=(), pairs=(), step_s=1)


def _around(blocks: Blocks, period: Period) -> Blocks:
    first, last = np.searchsorted(blocks.start_s, [period.begin - blocks.length_s, period.end])
    return blocks[int(first) : int(last)]


def _covered(blocks: Blocks, period: Period) -> float:
    inside = blocks.start_s + blocks.length_s > period.begin
    return float(np.nansum(blocks.covered_s[inside]))


def _plain(hours: Blocks, period: Period, void: Sequence[tuple[int, int]]) -> bool:
    """Whether the hours of a period are all there, whole, measured, and without anything that begins or ends inside them."""
    part = hours[slice(int(np.searchsorted(hours.start_s, period.begin)), None)]
    if any(begin < period.end and end > period.begin for begin, end in void):
        return False
    whole = np.minimum(part.measured_s, np.minimum(part.plc_measured_s, part.covered_s)) >= WHOLE * HOUR_S
    work = (part.state("maintenance") > 0.0) | (part.state("calibrating") > 0.0)
    return len(part) * HOUR_S == period.end - period.begin and bool(whole.all()) and not bool(work.any())


def _shared(blocks: Blocks, length_s: int) -> Blocks:
    many = blocks.length_s // length_s
    arrays = {name: np.repeat(getattr(blocks, name), many, axis=0) for name in ARRAYS}
    arrays["start_s"] = arrays["start_s"] + np.tile(np.arange(many) * length_s, len(blocks))
    for name in ("covered_s", "state_s", "increment_t", "own_t", "plc_own_t", "measured_s", "plc_measured_s"):
        arrays[name] = arrays[name] / many
    return blocks.with_arrays(arrays, length_s=length_s)
