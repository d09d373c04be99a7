"""The empties ledger: every stretch in which the belt ran empty, in whole turns of the belt, with its net count rate.

It is fed with samples and the blocks that they closed; the same samples in any chunking give the same entries. It holds the
last 400 days and at most 20,000 stretches; what is older goes.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from checks.blocks import Blocks
from checks.empty_rows import EmptyRows, Look, Looked, joined, measure
from checks.samples import Samples
from checks.stretches import EmptyStretch, Kept, Stretches, column, stretch_dict, stretch_from
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
UNIT = 1e-6
"""Errors at load are added in whole units of so much [t/h], so that the chunks in which blocks come do not matter."""
FAR = 1e9
"""More than this is no error [t/h]."""
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
        self._known: list[int] = []
        self._first = 0
        """Place of the oldest entry that counts; `_known` says when each was known [epoch s]."""
        self._held: tuple[Kept, list[int]] | None = None
        """The entries but those that are left out, and when each was known; None: to be made anew."""
        self._fresh: list[EmptyStretch] = []
        self._void: list[tuple[int, int]] = []
        self._fresh_void: list[tuple[int, int]] = []
        self._look = Look()
        self._open: list[EmptyRows] = []
        self._events: list[tuple[str, int]] = []
        self._feed_on_s = self._loaded_until = NEVER
        self._stood_from: int | None = None
        self._seen_until: int | None = None
        self._was_empty = False
        self._passed = np.zeros(4, np.int64)
        """Seconds run and loaded, error at load [UNIT] and blocks that showed it, since the newest entry."""

    def push(self, samples: Samples, blocks: Blocks, noted: Iterable[LedgerEntry] = ()) -> Sequence[EmptyStretch]:
        """Take the next samples, the blocks that they closed and what the event ledger noted of them; returns the stretches that
        they made known."""
        if "count_rate" not in self._loop.tags:
            return ()
        before = len(self._fresh)
        self._look.take(samples, blocks.length_s)
        self._events += [(_kind(entry), entry.time_s) for entry in noted if entry.kind in NOTED and entry.new != 0.0]
        del self._events[:-MOST_EVENTS]
        if len(blocks):
            self._take(Looked(self._loop, blocks, self._look))
        return self._fresh[before:]

    def stretches(self, end_s: int | None = None) -> Stretches:
        """The stretches that were known at `end_s` [epoch s], all of them where that is None; oldest first."""
        if self._held is None:
            held = [entry for entry in self._entries[self._first :] if self._holds(entry)]
            self._held = Kept(held), [entry.known_s for entry in held]
        kept, known = self._held
        first = bisect_left(known, self._known[self._first]) if self._known else 0
        return kept.view(first, len(known) if end_s is None else bisect_right(known, end_s))

    def void(self, first_s: int, last_s: int) -> None:
        """Leave out what was measured between two moments [epoch s]: the numbers meant nothing then."""
        for voids in (self._void, self._fresh_void):
            _join(voids, first_s, last_s)
            del voids[:-MOST_EVENTS]
        self._held = None

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
        return {"version": VERSION, "stretches": [stretch_dict(entry) for entry in self._entries[self._first :]]}

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
        """Take closed blocks: one by one where something begins or ends, all that lies between at once."""
        starts, ends = looked.start_s, looked.start_s + looked.length_s
        before = np.concatenate([[NEVER if self._seen_until is None else self._seen_until], ends[:-1]])
        gap = starts != before
        fed = _newest(self._feed_on_s, np.where(looked.feed_on > 0, ends, np.where(gap, starts, NEVER)))
        loaded = _newest(self._loaded_until, np.where(~looked.by_flow, ends, np.where(gap, starts, NEVER)))
        empty = self._empty(looked, fed[1:], np.where(gap, starts, loaded[:-1]))
        split = self._split(starts, ends) | looked.shutter
        changes = (
            gap | split | looked.tared | _turned(empty, self._was_empty) | _turned(looked.stands, self._stood_from is not None)
        )
        passed = self._passed[:, None] + np.cumsum(_steps(looked), axis=1)
        done = np.zeros(4, np.int64)
        rows = np.flatnonzero(changes).tolist()
        for row, following in pairwise([0, *rows, len(looked)] if rows[:1] != [0] else [*rows, len(looked)]):
            first = row
            if changes[row]:
                self._happened(looked, row)
                if split[row]:
                    done[2:] = passed[2:, row]
                if self._open and (gap[row] or split[row] or not empty[row]):
                    done = self._close(int(ends[row]), passed[:, row], done, ended=not empty[row])
                first += bool(split[row])
            while empty[row] and first < following:
                begin = int(self._open[0].start_s[0]) if self._open else int(starts[first])
                last = first + int(np.searchsorted(ends[first:following], begin + LONGEST_S))
                self._open.append(looked.rows.part(slice(first, min(last + 1, following))))
                if last < following:
                    done = self._close(int(ends[last]), passed[:, last], done, ended=False)
                first = last + 1
        self._passed = passed[:, -1] - done
        self._seen_until, self._feed_on_s, self._loaded_until = int(ends[-1]), int(fed[-1]), int(loaded[-1])
        self._was_empty = bool(empty[-1])

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

    def _happened(self, looked: Looked, row: int) -> None:
        """What is noted of a block: a shutter that moved, a tare and how the belt was then, how long it stood."""
        start, tared, stands = int(looked.start_s[row]), bool(looked.tared[row]), bool(looked.stands[row])
        if looked.shutter[row]:
            self._events.append(("shutter", start))
        if stands:
            self._stood_from = start if self._stood_from is None else self._stood_from
        elif self._stood_from is not None:
            if start - self._stood_from >= STOOD_S:
                self._events.append(("stood", self._stood_from))
            self._stood_from = None
        if tared and stands:
            self._events.append(("tare-standing", start))
        elif tared and looked.feed_on[row] > 0:
            self._events.append(("tare-fed", start))

    def _close(self, now_s: int, passed: Times, done: Times, *, ended: bool) -> Times:
        """Measure what is open and enter it, where it is long and steady enough.

        `passed` less `done` is what has passed since the newest entry; returns what of it is done now.
        """
        rows = joined(self._open)
        self._open = []
        measured = rows.part(slice(0, -1)) if ended else rows
        found = measure(self._loop, measured) if len(measured) * rows.length_s >= LEAST_S else None
        if found is None or found.seconds < LEAST_S:
            return done
        before = [event for event in self._events if event[1] < found.end_s]
        self._events = [event for event in self._events if event[1] >= found.end_s]
        running, loaded, error, shown = (passed - done).tolist()
        product, tare = rows.numbers[-2:, -1].tolist()
        self._enter(
            EmptyStretch(
                start_s=found.start_s, end_s=found.end_s, known_s=now_s, seconds=found.seconds, turns=found.turns,
                ln_net=found.ln_net, se=found.se, flow=found.flow, plc_flow=found.plc_flow, hidden=found.hidden,
                temperature=found.temperature, product=None if math.isnan(product) else product, speed=found.speed,
                tare_rate=None if math.isnan(tare) else tare, load_error=UNIT * error / shown if shown else None,
                running_s=float(running), loaded_s=float(loaded), events=tuple(sorted(before, key=lambda event: event[1])),
            ),
            fresh=True,
        )  # fmt: skip
        return np.asarray(passed, np.int64)

    def _enter(self, entry: EmptyStretch, *, fresh: bool = False) -> None:
        if self._entries and entry.start_s < self._entries[-1].end_s:
            return
        self._entries.append(entry)
        self._known.append(entry.known_s)
        if self._held is not None and self._holds(entry):
            self._held[0].add(entry)
            self._held[1].append(entry.known_s)
        if fresh:
            self._fresh.append(entry)
        self._first = max(bisect_right(self._known, entry.known_s - KEPT_S), len(self._entries) - MOST)
        if 2 * self._first > len(self._entries):
            del self._entries[: self._first], self._known[: self._first]
            self._first, self._held = 0, None


def _steps(looked: Looked) -> NDArray[np.int64]:
    """Seconds run and loaded, error at load [UNIT] and whether there is one, of each block, shape (4, B)."""
    shown = np.isfinite(looked.error)
    error = np.clip(np.where(shown, looked.error, 0.0), -FAR, FAR) / UNIT
    return np.asarray(np.rint([looked.running, looked.loaded, error, shown]), np.int64)


def _turned(now: NDArray[np.bool_], before: bool) -> NDArray[np.bool_]:
    """Where a state is not that of the block before, shape (B,)."""
    return np.concatenate([[now[0] != before], now[1:] != now[:-1]])


def _newest(before: int, times_s: Times) -> Times:
    """The latest of some times up to each block, that of before first, shape (B + 1,)."""
    return np.asarray(np.maximum.accumulate(np.concatenate([[before], times_s])))


def _join(voids: list[tuple[int, int]], first_s: int, last_s: int) -> None:
    """Append a time, or widen the last one where they touch."""
    if voids and first_s <= voids[-1][1] + 1:
        first_s, last_s = min(first_s, voids[-1][0]), max(last_s, voids[-1][1])
        voids.pop()
    voids.append((first_s, last_s))


def _kind(entry: LedgerEntry) -> str:
    """The kind under which an event is kept; a step of the gauge's clock is told from one of ours."""
    return "gauge-clock-step" if entry.kind == "clock-step" and entry.role == "gauge_clock" else entry.kind
