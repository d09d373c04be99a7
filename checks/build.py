"""Builds blocks from samples: the same blocks to the byte however the samples are cut into chunks.

Sums run over the positions inside a block, one position after the other, so that they never depend on how many blocks are
made at once.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from checks.blocks import PAIRS, RUNS, STATES, TOTALS, Blocks
from checks.derived import EXPECTED, ExpectedFlow, Integral, can_expect
from checks.increments import Resolver
from checks.runs import runs_in_rows, same_as_before
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
    """

    def __init__(self, site: Site, loop_id: str, step_s: int = 1) -> None:
        loop = site.loops[loop_id]
        self.loop_id = loop_id
        self.step_s = step_s
        self.length_s = next(length for length in range(int(site.block), 61) if 60 % length == 0 and length % step_s == 0)
        self.roles = numeric_roles(site, loop_id)
        self.pairs = tuple(pair for pair in PAIRS if pair[0] in self.roles and pair[1] in self.roles)
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
        broken = np.zeros((len(samples), len(TOTALS)))
        for column, role in enumerate(TOTALS):
            steps, jumps = self._totals[role].push(samples.time_s, samples.column(role))
            gained.append(steps)
            for jump in jumps:
                noted.append(LedgerEntry(time_s=jump.time_s, kind=jump.kind, role=role, old=jump.old, new=jump.new))
                broken[int(np.searchsorted(samples.time_s, jump.time_s)), column] += 1.0
        self.ledger += sorted(noted, key=lambda entry: (entry.time_s, entry.kind, entry.role))
        belt = np.stack([states.belt == code for code in range(4)], axis=1)
        nothing = np.zeros(len(samples), np.bool_)
        overlap = np.stack([states.maintenance, states.calibrating, states.unsettled, nothing], axis=1)
        return _Rows(
            time_s=samples.time_s,
            values=np.stack(columns, axis=1) if columns else np.empty((len(samples), 0)),
            states=np.concatenate([belt, overlap], axis=1).astype(np.float64),
            gained=np.stack(gained, axis=1),
            broken=broken,
            sums=np.stack([own, plc_own, measured, plc_measured], axis=1),
            runs=self._conditions(samples),
        )

    def _conditions(self, samples: Samples) -> Bools:
        """One column for each of `RUNS`."""
        counts, plc, flow = samples.column("count_rate"), samples.column("plc_flow"), samples.column("flow")
        raw = samples.column("ai_raw")
        own = samples.column("loop_current")
        current = np.where(np.isnan(own), current_of_raw(raw, self._loop.plc.raw_span), own)
        limit = self._loop.limits.current
        out = np.stack(
            [
                counts == 0.0,
                same_as_before(counts, self._before["count_rate"]),
                self._still(current, limit.frozen_band),
                same_as_before(plc, self._before["plc_flow"]),
                np.isnan(flow),
                current <= limit.failure_low,
                current >= limit.failure_high,
            ],
            axis=1,
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
        number = rows.time_s // self.length_s
        last = number[-1]
        whole = rows.time_s[-1] + self.step_s >= (last + 1) * self.length_s
        cut = len(number) if whole else int(np.searchsorted(number, last))
        self._open = [rows.part(slice(cut, None))] if cut < len(number) else []
        return self._blocks(rows.part(slice(0, cut)))

    def _blocks(self, rows: _Rows) -> Blocks:
        length, step = self.length_s, self.step_s
        number = rows.time_s // length
        starts, row_of = np.unique(number, return_inverse=True)
        places = max(1, length // step)
        place = ((rows.time_s - number * length) // step).astype(np.intp)

        def laid(values: NDArray[np.float64], fill: float) -> Floats:
            out = np.full((len(starts), places, values.shape[1]), fill)
            out[row_of, place] = values
            return out

        present = np.zeros((len(starts), places), np.bool_)
        present[row_of, place] = True
        moments = _Moments(laid(rows.values, np.nan))
        pairs = _pair_moments(moments.values, [(self.roles.index(a), self.roles.index(b)) for a, b in self.pairs])
        gained = laid(rows.gained, np.nan)
        longest, head, tail = self._run_columns(laid(rows.runs.astype(np.float64), 0.0), present)
        states, sums, broken = (_add(laid(part, 0.0)) for part in (rows.states, rows.sums, rows.broken))
        read = np.isfinite(gained)
        broken += read.any(axis=1) & ~read[:, -1]  # what a total gained since its last reading is booked in a later block
        return Blocks(
            loop=self.loop_id, length_s=length, step_s=step, start_s=(starts * length).astype(np.int64),
            covered_s=_add(present[:, :, None].astype(np.float64))[:, 0] * step, roles=self.roles,
            n=moments.n, mean=moments.mean, m2=moments.m2, minimum=moments.minimum, maximum=moments.maximum,
            first=moments.first, last=moments.last, pairs=self.pairs, pair_n=pairs[0], pair_x=pairs[1], pair_y=pairs[2],
            pair_c=pairs[3], state_s=states * step, increment_t=_add_known(gained), discontinuities=broken,
            own_t=sums[:, 0], plc_own_t=sums[:, 1], measured_s=sums[:, 2], plc_measured_s=sums[:, 3],
            run_longest=longest, run_head=head, run_tail=tail,
        )  # fmt: skip

    def _run_columns(self, holds: Floats, present: Bools) -> tuple[Floats, Floats, Floats]:
        columns = [runs_in_rows(holds[:, :, column] > 0.5, present) for column in range(len(RUNS))]
        longest, head, tail = (np.stack([column[part] for column in columns], axis=1) * self.step_s for part in range(3))
        return longest, head, tail


class _Rows:
    """Per-sample quantities of a stretch, row by row."""

    FIELDS = ("time_s", "values", "states", "gained", "broken", "sums", "runs")

    def __init__(
        self,
        time_s: NDArray[np.int64],
        values: Floats,
        states: Floats,
        gained: Floats,
        broken: Floats,
        sums: Floats,
        runs: Bools,
    ) -> None:
        self.time_s, self.values, self.states, self.gained = time_s, values, states, gained
        self.broken, self.sums, self.runs = broken, sums, runs

    def part(self, rows: slice) -> _Rows:
        return _Rows(*(getattr(self, name)[rows] for name in self.FIELDS))

    @classmethod
    def join(cls, parts: list[_Rows]) -> _Rows:
        if len(parts) == 1:
            return parts[0]
        return cls(*(np.concatenate([getattr(part, name) for part in parts]) for name in cls.FIELDS))

    @classmethod
    def none(cls, roles: int) -> _Rows:
        return cls(
            np.empty(0, np.int64), np.empty((0, roles)), np.empty((0, len(STATES))), np.empty((0, 2)),
            np.empty((0, 2)), np.empty((0, 4)), np.empty((0, len(RUNS)), np.bool_),
        )  # fmt: skip


class _Moments:
    """Statistics of laid-out values, shape (blocks, positions, roles), over the finite ones."""

    def __init__(self, values: Floats) -> None:
        self.values = values
        blocks, places, roles = values.shape
        shape = (blocks, roles)
        self.n, total, self.m2 = np.zeros(shape), np.zeros(shape), np.zeros(shape)
        self.minimum, self.maximum = np.full(shape, np.nan), np.full(shape, np.nan)
        self.first, self.last = np.full(shape, np.nan), np.full(shape, np.nan)
        good = [np.isfinite(values[:, place]) for place in range(places)]
        for place in range(places):
            here, ok = values[:, place], good[place]
            self.n += ok
            total += np.where(ok, here, 0.0)
            self.minimum = np.fmin(self.minimum, np.where(ok, here, np.nan))
            self.maximum = np.fmax(self.maximum, np.where(ok, here, np.nan))
            self.first = np.where(np.isnan(self.first) & ok, here, self.first)
            self.last = np.where(ok, here, self.last)
        self.mean = np.where(self.n > 0.0, total / np.maximum(self.n, 1.0), np.nan)
        for place in range(places):
            self.m2 += np.where(good[place], (values[:, place] - self.mean) ** 2, 0.0)


def _pair_moments(values: Floats, pairs: list[tuple[int, int]]) -> tuple[Floats, Floats, Floats, Floats]:
    """n, both means and the cross sum of each pair over samples where both are finite, shape (blocks, pairs) each."""
    x, y = values[:, :, [a for a, _ in pairs]], values[:, :, [b for _, b in pairs]]
    n, sum_x, sum_y, cross = (np.zeros((values.shape[0], len(pairs))) for _ in range(4))
    for place in range(values.shape[1]):
        ok = np.isfinite(x[:, place]) & np.isfinite(y[:, place])
        n += ok
        sum_x += np.where(ok, x[:, place], 0.0)
        sum_y += np.where(ok, y[:, place], 0.0)
    mean_x = np.where(n > 0.0, sum_x / np.maximum(n, 1.0), np.nan)
    mean_y = np.where(n > 0.0, sum_y / np.maximum(n, 1.0), np.nan)
    for place in range(values.shape[1]):
        ok = np.isfinite(x[:, place]) & np.isfinite(y[:, place])
        cross += np.where(ok, (x[:, place] - mean_x) * (y[:, place] - mean_y), 0.0)
    return n, mean_x, mean_y, cross


def _add(values: Floats) -> Floats:
    """Sum over the positions, one after the other."""
    out = np.zeros((values.shape[0], values.shape[2]))
    for place in range(values.shape[1]):
        out += values[:, place]
    return out


def _add_known(values: Floats) -> Floats:
    """Sum of the finite values over the positions; NaN where there is none."""
    known = np.isfinite(values)
    return np.where(known.any(axis=1), _add(np.where(known, values, 0.0)), np.nan)
