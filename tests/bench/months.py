"""How often the band of a month covers the truth: months of 60 s blocks by own arithmetic, not by the demo plant.

`python -m tests.bench.months [months] [seed]` prints one line a kind of month; 92 to 98 % of 300 are wanted.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from checks.accounting.balance import Known, PeriodBalance, balance, combined, usual_of
from checks.accounting.calendar import Period
from checks.blocks import STATES, Blocks

BEGIN, SHIFT_S, SHIFTS = 1_790_000_000 // 28800 * 28800, 28800, 90
ROWS = SHIFTS * SHIFT_S // 60
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """What a month is like: how well the gauge is known, and how often and long gauge or both ends are silent [min]."""

    name: str
    known: Known
    gauge_silent: int
    both_silent: int
    longest_min: int


KINDS = (
    Kind(name="known badly, hardly a gap", known=Known(span=0.005, zero_t_h=0.5, noise_t_h=4.0, noise_s=10.0),
         gauge_silent=2, both_silent=1, longest_min=20),
    Kind(name="known well, many gaps", known=Known(span=0.0003, zero_t_h=0.02, noise_t_h=8.0, noise_s=20.0),
         gauge_silent=20, both_silent=40, longest_min=120),
    Kind(name="counting alone", known=Known(span=0.0, zero_t_h=0.0, noise_t_h=20.0, noise_s=20.0),
         gauge_silent=0, both_silent=0, longest_min=1),
)  # fmt: skip


def blocks_of(
    own: Floats, measured: Floats, plc: Floats, load: Floats, reset: NDArray[np.bool_] | None = None, begin: int = BEGIN
) -> Blocks:
    """60 s blocks from `begin` that hold only what a balance reads; rows that are silent at both ends are left out. `reset`
    are those in which the PLC total began anew."""
    breaks = np.zeros(len(own), np.bool_) if reset is None else reset
    kept = (measured > 0.0) | np.isfinite(plc)
    count = int(kept.sum())
    none, state = np.zeros((count, 0)), np.zeros((count, len(STATES)))
    state[:, STATES.index("loaded")] = np.where(load[kept] > 0.0, 60.0, 0.0)
    state[:, STATES.index("empty")] = 60.0 - state[:, STATES.index("loaded")]
    seconds = np.full(count, 60.0)
    return Blocks(
        loop="TB-07", length_s=60, step_s=1, start_s=(begin + 60 * np.arange(len(own), dtype=np.int64))[kept], covered_s=seconds,
        roles=(), n=none, mean=none, m2=none, minimum=none, maximum=none, first=none, last=none, pairs=(), pair_n=none,
        pair_x=none, pair_y=none, pair_c=none, state_s=state, increment_t=np.column_stack((own, plc))[kept],
        discontinuities=np.column_stack((np.zeros(count), breaks[kept])), own_t=own[kept], plc_own_t=plc[kept], measured_s=measured[kept],
        plc_measured_s=np.where(np.isfinite(plc[kept]), 60.0, 0.0), run_longest=none, run_head=none, run_tail=none,
    )  # fmt: skip


def month(rng: np.random.Generator, kind: Kind, *, by_shift: bool = False) -> tuple[PeriodBalance, float]:
    """One month and the tonnes that truly passed; `by_shift` adds up the balances of its shifts, as the accounts do."""
    known, a = kind.known, np.exp(-1.0 / 15.0)
    wander = lfilter([1.0], [1.0, -a], rng.standard_normal(ROWS) * 30.0 * np.sqrt(1.0 - a * a))
    load = np.maximum(260.0 + wander, 0.0)
    noise = known.noise_t_h * np.sqrt(2.0 * known.noise_s / 60.0) * rng.standard_normal(ROWS)
    flow = load * (1.0 + known.span * rng.standard_normal()) + known.zero_t_h * rng.standard_normal() + noise
    plc = flow / 60.0 * (1.0 + known.card * rng.standard_normal()) + 0.002 * rng.standard_normal(ROWS)
    booked, reset = plc.copy(), np.zeros(ROWS, np.bool_)
    measured, own = np.full(ROWS, 60.0), flow / 60.0
    for silent, count in ((False, kind.gauge_silent), (True, kind.both_silent)):
        for at in rng.integers(0, ROWS, count):
            rows = slice(int(at), int(at) + int(rng.integers(1, kind.longest_min + 1)))
            measured[rows] = own[rows] = 0.0
            if silent:
                plc[rows] = np.nan
    edges = np.flatnonzero(np.diff(np.isnan(plc), prepend=False, append=False))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if last < ROWS:  # every other total counts on while nobody reads it, the rest begin anew
            reset[last] = rng.random() < 0.5
            plc[last] += 0.0 if reset[last] else float(booked[first:last].sum())
    shifts = [
        Period(kind="shift", name=str(n), begin=BEGIN + n * SHIFT_S, end=BEGIN + (n + 1) * SHIFT_S) for n in range(SHIFTS)
    ]
    whole = Period(kind="month", name="simulated", begin=BEGIN, end=BEGIN + SHIFTS * SHIFT_S)
    blocks = blocks_of(own, measured, plc, load, reset)
    if not by_shift:
        return balance(blocks, whole, known, shifts), float(load.sum()) / 60.0
    usual = usual_of(blocks, shifts)
    return combined([balance(blocks, one, known, usual=usual) for one in shifts], whole, known), float(load.sum()) / 60.0


def covered(kind: Kind, months: int, seed: int, *, by_shift: bool = False) -> tuple[int, float, float]:
    """How many of the months cover the truth, the mean error and the mean expanded uncertainty [t]."""
    rng = np.random.default_rng(seed)
    found = [month(rng, kind, by_shift=by_shift) for _ in range(months)]
    errors = np.array([one.best - truth for one, truth in found])
    bands = np.array([one.uncertainty for one, _ in found])
    return int((np.abs(errors) <= bands).sum()), float(errors.mean()), float(bands.mean())


def main() -> None:
    """Print the table."""
    months, seed = int(sys.argv[1]) if len(sys.argv) > 1 else 300, int(sys.argv[2]) if len(sys.argv) > 2 else 1
    print(f"{months} months a kind, seed {seed}\n{'kind':28s} covered  mean error [t]  mean U [t]")
    for kind in KINDS:
        hits, error, band = covered(kind, months, seed, by_shift=True)
        print(f"{kind.name:28s} {100.0 * hits / months:6.1f} % {error:14.2f} {band:11.2f}")


if __name__ == "__main__":
    main()
