"""The empties ledger: every stretch in which the belt ran empty, in whole turns of the belt, with its net count rate.

It is fed with samples and the blocks that they closed; the same samples in any chunking give the same entries. It holds the
last 400 days and at most 20,000 stretches; what is older goes.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from checks.blocks import Blocks
from checks.empty_rows import EmptyRow, Look, Looked, measure
from checks.samples import Samples
from checks.stretches import EmptyStretch, Stretches, column, stretch_dict, stretch_from
from checks.window import LedgerEntry
from config.model import Loop

__all__ = ["KEPT_S", "EmptiesLedger", "EmptyStretch", "column", "stretch_dict", "stretch_from"]

KEPT_S = 400 * 86400
MOST = 20_000
LONGEST_S = 3600
"""A longer stretch is told in parts, each in whole turns."""
LEAST_S = 30.0
"""Shorter ones are not kept: counting alone leaves 0.26 % in 30 s at 5,200 1/s."""
STOOD_S = 1800
"""A belt that stands so long may have been worked on."""
FILTERED_WAIT, FILTERED_FULL = 3.0, 6.5
"""Time constants after which a damped count rate has forgotten the load: from where the flow is as good as none, and from a full belt
down to 0.15 % of it [1]."""

NOTED = frozenset({"tare", "gauge-restart", "clock-step", "parameter-change", "product-change", "calibration", "bypass"})
"""Events of the event ledger that are kept with the stretch behind them."""
SPLITS = frozenset({"tare", "gauge-restart", "gauge-clock-step", "product-change", "shutter"})
"""Events after which the belt is another one: no stretch goes on over them."""

NEVER = -(2**62)
Times = NDArray[np.int64]
MOST_EVENTS = 500
VERSION = 1


class EmptiesLedger:
    """Collects the stretches of one loop.

    A block belongs to a stretch where the belt ran all through it, settled, no work on the loop, and was empty: its flow
    below the limit of the state `empty` or, where the loop tells of its feeder, the feeder off for longer than the loop
    settles (an empty belt whose zero is far off does not look empty in its flow). Where the feeder is told, it must be off.
    Without `count_rate` nothing is collected: a flow may be cut off or clamped.
    """

    def __init__(self, loop: Loop) -> None:
        self._loop = loop
        self._settle = loop.settle + (FILTERED_FULL * loop.gauge.damping if loop.gauge.counts_filtered else 0.0)
        self._entries: list[EmptyStretch] = []
        self._fresh: list[EmptyStretch] = []
        self._known: list[int] = []
        self._cached: tuple[Stretches, list[int]] | None = None
        self._void: list[tuple[int, int]] = []
        self._fresh_void: list[tuple[int, int]] = []
        self._look = Look()
        self._open: list[EmptyRow] = []
        self._events: list[tuple[str, int]] = []
        self._feed_on_s = self._loaded_until = NEVER
        self._stood_from: int | None = None
        self._seen_until: int | None = None
        self._running = self._loaded = self._error = self._error_rows = 0.0

    def push(self, samples: Samples, blocks: Blocks, noted: Iterable[LedgerEntry] = ()) -> None:
        """Take the next samples, the blocks that they closed and what the event ledger noted of them."""
        if "count_rate" not in self._loop.tags:
            return
        self._look.take(samples, blocks.length_s)
        self._events += [(_kind(entry), entry.time_s) for entry in noted if entry.kind in NOTED and entry.new != 0.0]
        del self._events[:-MOST_EVENTS]
        if len(blocks):
            self._take(Looked(self._loop, blocks, self._look))

    def stretches(self, end_s: int | None = None) -> Stretches:
        """The stretches that were known at `end_s` [epoch s], all of them where that is None; oldest first."""
        if self._cached is None:
            kept = Stretches(entry for entry in self._entries if self._holds(entry))
            self._cached = kept, [entry.known_s for entry in kept]
        kept, known = self._cached
        return kept if end_s is None or not known or known[-1] <= end_s else kept.first(bisect_right(known, end_s))

    def void(self, first_s: int, last_s: int) -> None:
        """Leave out what was measured between two moments [epoch s]: the numbers meant nothing then."""
        for voids in (self._void, self._fresh_void):
            _join(voids, first_s, last_s)
            del voids[:-MOST_EVENTS]
        self._cached = None

    def _holds(self, entry: EmptyStretch) -> bool:
        return not any(entry.start_s < last and entry.end_s > first for first, last in self._void)

    def take(self) -> list[EmptyStretch]:
        """The stretches that were added since the last call, for whoever keeps them."""
        fresh, self._fresh = self._fresh, []
        return [entry for entry in fresh if self._holds(entry)]

    def take_voids(self) -> list[tuple[int, int]]:
        """The times that were left out since the last call [epoch s], for whoever keeps them."""
        fresh, self._fresh_void = self._fresh_void, []
        return fresh

    def state(self) -> dict[str, Any]:
        """All stretches as plain values; an open one is made anew from its samples."""
        return {"version": VERSION, "stretches": [stretch_dict(entry) for entry in self._entries]}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take stretches that were kept before; those that samples give again are not entered twice.

        A state of another version is an error (ValueError).
        """
        if state.get("version") != VERSION:
            raise ValueError(f"the empties ledger has version {state.get('version')}, not {VERSION}")
        self.extend([stretch_from(raw) for raw in state["stretches"]])

    def extend(self, kept: Sequence[EmptyStretch]) -> None:
        """Take stretches that were kept before, oldest first."""
        for entry in kept:
            self._enter(entry)

    def _take(self, looked: Looked) -> None:
        """Take closed blocks: one by one where something begins, ends or is empty, all that lies between at once."""
        starts, ends = looked.start_s, looked.start_s + looked.length_s
        before = np.concatenate([[NEVER if self._seen_until is None else self._seen_until], ends[:-1]])
        gap = starts != before
        fed = _newest(self._feed_on_s, np.where(looked.feed_on > 0, ends, np.where(gap, starts, NEVER)))
        loaded = _newest(self._loaded_until, np.where(~looked.by_flow, ends, np.where(gap, starts, NEVER)))
        empty = self._empty(looked, fed[1:], np.where(gap, starts, loaded[:-1]))
        near = empty | looked.noted | gap | self._split(starts, ends)
        near[1:] |= empty[:-1] | (looked.stands[1:] != looked.stands[:-1])
        near[0] = True
        rows = np.flatnonzero(near)
        following_rows = [*rows[1:].tolist(), len(looked)]
        for row, following, one in zip(rows.tolist(), following_rows, looked.rows(rows), strict=True):
            self._seen_until, self._feed_on_s, self._loaded_until = int(before[row]), int(fed[row]), int(loaded[row])
            self._events += [("shutter", one.start_s)] if one.shutter_moved else []
            self._row(one)
            if following > row + 1:
                self._passed(looked, slice(row + 1, following))
        self._seen_until, self._feed_on_s, self._loaded_until = int(ends[-1]), int(fed[-1]), int(loaded[-1])

    def _empty(self, looked: Looked, fed: Times, loaded: Times) -> NDArray[np.bool_]:
        """Blocks that belong to a stretch, shape (B,); `fed` and `loaded` say until when the feeder was on and load was there."""
        feeder = (looked.feed_on == 0) & (looked.by_flow | (looked.start_s - fed >= self._settle))
        empty = looked.usable & np.where(looked.feed_on < 0, looked.by_flow, feeder)
        if self._loop.gauge.counts_filtered:
            empty &= ~looked.by_flow | (looked.start_s - loaded >= FILTERED_WAIT * self._loop.gauge.damping)
        return np.asarray(empty)

    def _split(self, starts: Times, ends: Times) -> NDArray[np.bool_]:
        """Blocks in which something happened after which the belt is another one, shape (B,)."""
        times = np.sort(np.asarray([time_s for kind, time_s in self._events if kind in SPLITS], np.int64))
        return np.asarray(np.searchsorted(times, ends) > np.searchsorted(times, starts))

    def _passed(self, looked: Looked, rows: slice) -> None:
        """Blocks in which nothing begins, ends or is empty: what they add, one after the other."""
        error = looked.error[rows]
        error = error[np.isfinite(error)]
        self._running, self._loaded = _added(self._running, looked.running[rows]), _added(self._loaded, looked.loaded[rows])
        self._error, self._error_rows = _added(self._error, error), self._error_rows + len(error)

    def _row(self, row: EmptyRow) -> None:
        self._movement(row)
        if row.start_s != self._seen_until:  # nobody saw whether it was fed before
            self._feed_on_s = self._loaded_until = row.start_s
        self._seen_until = row.end_s
        if row.feed_on:
            self._feed_on_s = row.end_s
        empty = self._is_empty(row)
        if not row.by_flow:
            self._loaded_until = row.end_s
        split = any(kind in SPLITS and row.start_s <= time_s < row.end_s for kind, time_s in self._events)
        if split:
            self._error = self._error_rows = 0.0
        gap = bool(self._open) and row.start_s != self._open[-1].end_s
        if self._open and (not empty or split or gap):
            self._close(row.end_s, ended=not empty)
        if empty and not split:
            self._open.append(row)
            if row.end_s - self._open[0].start_s >= LONGEST_S:
                self._close(row.end_s, ended=False)

    def _is_empty(self, row: EmptyRow) -> bool:
        if not row.usable:
            return False
        if row.feed_on is None:
            empty = row.by_flow
        else:
            feed_off = not row.feed_on
            empty = feed_off and (row.by_flow or row.start_s - self._feed_on_s >= self._settle)
        if self._loop.gauge.counts_filtered and row.by_flow:
            empty = empty and row.start_s - self._loaded_until >= FILTERED_WAIT * self._loop.gauge.damping
        return empty

    def _movement(self, row: EmptyRow) -> None:
        """Running and loaded seconds, the error at load, and how long the belt stands."""
        self._running += row.running_s
        self._loaded += row.loaded_s
        if row.load_error is not None:
            self._error += row.load_error
            self._error_rows += 1.0
        if row.stands:
            self._stood_from = row.start_s if self._stood_from is None else self._stood_from
            if row.tared:
                self._events.append(("tare-standing", row.start_s))
        elif self._stood_from is not None:
            if row.start_s - self._stood_from >= STOOD_S:
                self._events.append(("stood", self._stood_from))
            self._stood_from = None
        if row.tared and row.feed_on and not row.stands:
            self._events.append(("tare-fed", row.start_s))

    def _close(self, now_s: int, *, ended: bool) -> None:
        """Measure what is open and enter it, where it is long and steady enough."""
        rows, self._open = self._open, []
        found = measure(self._loop, rows[:-1] if ended else rows)
        if found is None or found.seconds < LEAST_S:
            return
        before = [event for event in self._events if event[1] < found.end_s]
        self._events = [event for event in self._events if event[1] >= found.end_s]
        last = rows[-1]
        self._enter(
            EmptyStretch(
                start_s=found.start_s, end_s=found.end_s, known_s=now_s, seconds=found.seconds, turns=found.turns,
                ln_net=found.ln_net, se=found.se, flow=found.flow, plc_flow=found.plc_flow, hidden=found.hidden,
                temperature=found.temperature, product=last.product, speed=found.speed, tare_rate=last.tare_rate,
                load_error=self._error / self._error_rows if self._error_rows else None,
                running_s=self._running, loaded_s=self._loaded, events=tuple(sorted(before, key=lambda event: event[1])),
            ),
            fresh=True,
        )  # fmt: skip
        self._running = self._loaded = self._error = self._error_rows = 0.0

    def _enter(self, entry: EmptyStretch, *, fresh: bool = False) -> None:
        if self._entries and entry.start_s < self._entries[-1].end_s:
            return
        self._entries.append(entry)
        self._known.append(entry.known_s)
        if self._cached is not None and self._holds(entry):
            self._cached = self._cached[0].and_then(entry), [*self._cached[1], entry.known_s]
        if fresh:
            self._fresh.append(entry)
        oldest = bisect_right(self._known, entry.known_s - KEPT_S)
        oldest = max(oldest, len(self._entries) - MOST)
        if oldest > 0:
            del self._entries[:oldest], self._known[:oldest]
            self._cached = None


def _newest(before: int, times_s: Times) -> Times:
    """The latest of some times up to each block, that of before first, shape (B + 1,)."""
    return np.asarray(np.maximum.accumulate(np.concatenate([[before], times_s])))


def _added(total: float, steps: NDArray[np.float64]) -> float:
    """A sum with further steps added one after the other."""
    return float(np.cumsum(np.concatenate([[total], steps]))[-1])


def _join(voids: list[tuple[int, int]], first_s: int, last_s: int) -> None:
    """Append a time, or widen the last one where they touch."""
    if voids and first_s <= voids[-1][1] + 1:
        first_s, last_s = min(first_s, voids[-1][0]), max(last_s, voids[-1][1])
        voids.pop()
    voids.append((first_s, last_s))


def _kind(entry: LedgerEntry) -> str:
    """The kind under which an event is kept; a step of the gauge's clock is told from one of ours."""
    return "gauge-clock-step" if entry.kind == "clock-step" and entry.role == "gauge_clock" else entry.kind
