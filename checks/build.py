"""Builds blocks from samples: the same blocks to the byte however the samples are cut into chunks.

What is summed is in `checks.moments`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from checks.blocks import PAIRS, RUNS, STATES, TOTALS, Blocks
from checks.derived import EXPECTED, ExpectedFlow, Integral, can_expect
from checks.increments import Resolver
from checks.moments import Layout, Moments, added_known
from checks.runs import runs_over, same_as_before
from checks.samples import Samples
from checks.signal import current_of_raw
from checks.state import StateReader
from checks.window import LedgerEntry
from config.model import Site
from config.roles import ROLES, Kind

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def numeric_roles(site: Site, loop_id: str) -> tuple[str, ...]:
    """The numeric roles of a loop in the order of `config.roles`, with `expected_flow` where it can be computed."""
    loop = site.loops[loop_id]
    roles = tuple(role for role, entry in ROLES.items() if role in loop.tags and entry.kind is Kind.NUMBER)
    return (*roles, EXPECTED) if can_expect(loop) else roles


class BlockBuilder:
    """Turns the samples of one loop into blocks.

    A block is closed when its last second is there or a sample of a later block arrives. `ledger` grows with what was seen.

    Parameters
    ----------
    site, loop_id
        The site in force and the loop.
    step_s : int
        Step of the samples [s]; a block is `site.block` long, or the next length that is whole steps and a part of a minute.
    pairs : bool
        Whether cross moments are made. No check looks at them; the history keeps them.
    """

    def __init__(self, site: Site, loop_id: str, step_s: int = 1, *, pairs: bool = True) -> None:
        loop = site.loops[loop_id]
        self.loop_id = loop_id
        self.step_s = step_s
        self.length_s = next(length for length in range(int(site.block), 61) if 60 % length == 0 and length % step_s == 0)
        self.roles = numeric_roles(site, loop_id)
        self.pairs = tuple(pair for pair in PAIRS if pairs and pair[0] in self.roles and pair[1] in self.roles)
        self.ledger: list[LedgerEntry] = []
        self._loop = loop
        self._states = StateReader(loop)
        self._expected = ExpectedFlow(loop, step_s) if EXPECTED in self.roles else None
        full = max(loop.gauge.range.high, loop.plc.range.high)
        self._totals = {"gauge_total": Resolver(loop.gauge.total, full), "plc_total": Resolver(loop.plc.total, full)}
        self._own, self._plc_own = Integral(step_s), Integral(step_s)
        self._before = {"count_rate": np.nan, "current": np.nan, "plc_flow": np.nan}
        self._open: list[_Rows] = []

    def push(self, samples: Samples) -> Blocks:
        """The blocks that these samples close, in order of time; may be none."""
        if len(samples):
            self._open.append(self._derive(samples))
        return self._close()

    def _derive(self, samples: Samples) -> _Rows:
        states = self._states.push(samples)
        noted = list(states.ledger)
        columns = [samples.column(role) for role in self.roles if role != EXPECTED]
        if self._expected is not None:
            columns.append(self._expected(samples))
        own, measured = self._own.push(samples.time_s, samples.column("flow"))
        plc_own, plc_measured = self._plc_own.push(samples.time_s, samples.column("plc_flow"))
        gained: list[Floats] = []
        broken = [np.zeros(len(samples)) for _ in TOTALS]
        for column, role in enumerate(TOTALS):
            steps, jumps = self._totals[role].push(samples.time_s, samples.column(role))
            gained.append(steps)
            for jump in jumps:
                noted.append(LedgerEntry(time_s=jump.time_s, kind=jump.kind, role=role, old=jump.old, new=jump.new))
                broken[column][int(np.searchsorted(samples.time_s, jump.time_s))] += 1.0
        self.ledger += sorted(noted, key=lambda entry: (entry.time_s, entry.kind, entry.role))
        return _Rows(
            time_s=samples.time_s,
            values=tuple(columns),
            states=(*(states.belt == code for code in range(4)), states.maintenance, states.calibrating, states.unsettled),
            gained=tuple(gained),
            sums=(own, plc_own, measured, plc_measured, *broken),
            runs=self._conditions(samples),
        )

    def _conditions(self, samples: Samples) -> tuple[Bools, ...]:
        """One column for each of `RUNS`."""
        counts, plc, flow = samples.column("count_rate"), samples.column("plc_flow"), samples.column("flow")
        raw = samples.column("ai_raw")
        own = samples.column("loop_current")
        current = np.where(np.isnan(own), current_of_raw(raw, self._loop.plc.raw_span), own)
        limit = self._loop.limits.current
        out = (
            counts == 0.0,
            same_as_before(counts, self._before["count_rate"]),
            self._still(current, limit.frozen_band),
            same_as_before(plc, self._before["plc_flow"]),
            np.isnan(flow),
            current <= limit.failure_low,
            current >= limit.failure_high,
        )
        self._before["count_rate"], self._before["plc_flow"] = float(counts[-1]), float(plc[-1])
        return out

    def _still(self, current: Floats, band: float) -> Bools:
        """Where the current is within the band of the one before, or one raw digit if that is coarser."""
        span = self._loop.plc.raw_span
        digit = 1.5 * 16.0 / abs(span.high - span.low)
        before = np.concatenate([[self._before["current"]], current[:-1]])
        self._before["current"] = float(current[-1])
        return np.asarray(np.abs(current - before) <= max(band, digit))

    def _close(self) -> Blocks:
        if not self._open:
            return self._blocks(_Rows.none(len(self.roles)))
        rows = _Rows.join(self._open)
        last = int(rows.time_s[-1]) // self.length_s
        if int(rows.time_s[-1]) + self.step_s >= (last + 1) * self.length_s:
            self._open = []
            return self._blocks(rows)
        cut = int(np.searchsorted(rows.time_s, last * self.length_s))
        self._open = [rows.part(slice(cut, None))]
        return self._blocks(rows.part(slice(0, cut)))

    def _blocks(self, rows: _Rows) -> Blocks:
        layout, step = Layout(rows.time_s, self.length_s, self.step_s), self.step_s
        present = layout.present()
        pairs = [(self.roles.index(a), self.roles.index(b)) for a, b in self.pairs]
        moments = Moments(layout, rows.values, pairs)
        gained = layout.laid(rows.gained, np.nan)
        longest, head, tail = _runs(layout, rows.runs, present, step)
        states = np.zeros((len(STATES), len(layout)))
        states[: len(rows.states)] = layout.laid(rows.states, 0, np.bool_).sum(axis=0)
        covered = np.full(len(layout), float(layout.places)) if present is None else present.sum(axis=0)[0].astype(np.float64)
        own, plc_own, measured, plc_measured, *broken = layout.added(rows.sums)
        read = np.isfinite(gained)
        missed = read.any(axis=0) & ~read[-1]  # what a total gained since its last reading is booked in a later block
        return Blocks(
            loop=self.loop_id, length_s=self.length_s, step_s=step, start_s=layout.starts, covered_s=covered * step,
            roles=self.roles, pairs=self.pairs, **moments.arrays(), state_s=states.T * step,
            increment_t=added_known(gained).T, discontinuities=(np.stack(broken) + missed).T, own_t=own, plc_own_t=plc_own,
            measured_s=measured, plc_measured_s=plc_measured, run_longest=longest, run_head=head, run_tail=tail,
        )  # fmt: skip


def _runs(layout: Layout, runs: Sequence[Bools], present: Bools | None, step_s: int) -> tuple[Floats, Floats, Floats]:
    """Longest run, run at the head and at the tail of each condition [s], shape (blocks, conditions); most never hold."""
    hold = [place for place, column in enumerate(runs) if column.any()]
    out = np.zeros((3, len(runs), len(layout)))
    if hold:
        out[:, hold] = runs_over(layout.laid([runs[place] for place in hold], 0, np.bool_), present)
    longest, head, tail = (out * step_s).transpose(0, 2, 1)
    return longest, head, tail


class _Rows:
    """Per-sample quantities of a stretch, column by column; `sums` are the integrals and, last, the jumps of the totals."""

    FIELDS = ("values", "states", "gained", "sums", "runs")

    def __init__(
        self,
        time_s: NDArray[np.int64],
        values: tuple[Floats, ...],
        states: tuple[Bools, ...],
        gained: tuple[Floats, ...],
        sums: tuple[Floats, ...],
        runs: tuple[Bools, ...],
    ) -> None:
        self.time_s, self.values, self.states, self.gained, self.sums, self.runs = time_s, values, states, gained, sums, runs

    def part(self, rows: slice) -> _Rows:
        return _Rows(self.time_s[rows], *(tuple(column[rows] for column in getattr(self, name)) for name in self.FIELDS))

    @classmethod
    def join(cls, parts: list[_Rows]) -> _Rows:
        if len(parts) == 1:
            return parts[0]
        times = np.concatenate([part.time_s for part in parts])
        each = (zip(*(getattr(part, name) for part in parts), strict=True) for name in cls.FIELDS)
        return cls(times, *(tuple(np.concatenate(columns) for columns in field) for field in each))

    @classmethod
    def none(cls, roles: int) -> _Rows:
        counts = (roles, len(STATES) - 1, len(TOTALS), 4 + len(TOTALS), len(RUNS))
        kinds = (np.float64, np.bool_, np.float64, np.float64, np.bool_)
        columns: Any = (tuple(np.empty(0, kind) for _ in range(count)) for count, kind in zip(counts, kinds, strict=True))
        return cls(np.empty(0, np.int64), *columns)
