"""Reference lots beside what the gauge booked for them: r11, the one number that comes from outside the chain."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from checks.blocks import Blocks
from checks.references import MaterialTest, Reference
from checks.window import Window

REPEAT = 0.15
"""How well a gauge repeats a lot at best, one standard deviation [% of the lot] (common practice, no source)."""
COVERED = 0.99
"""Part of a lot that the history must hold."""
EDGE = 0.289
"""A begin that lies anywhere in a row: standard deviation of a uniform part, 1/sqrt(12)."""
SHARP_S = 60
"""Rows up to this length know the flow at the moment at which a lot begins or ends [s]."""
HELD_KNOWN = 0.3
"""How well that is known which the damping holds back [parts of it]: the filter need not be of first order (own estimate)."""
GROSS = 50.0
"""A lot that is off by more than this [%] is an entry gone wrong, no gauge."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """A lot with both weights. `deviation` is gauge less reference, `random` and `common` one standard deviation [% of lot].

    `common` is the part that lots of one method may share (half the variance of the reference). `flow` is the mean flow
    under load by the reference [t/h], `moisture` that of the laboratory [%] or None.
    """

    begin_s: int
    end_s: int
    reference_t: float
    gauge_t: float
    deviation: float
    random: float
    common: float
    flow: float
    product: str
    moisture: float | None
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Lots:
    """The lots that speak for the setting in force, those weighed before it was last changed, and why others are left out."""

    now: tuple[Lot, ...] = ()
    before: tuple[Lot, ...] = ()
    left_out: tuple[str, ...] = ()
    factor: float | None = None
    """What the last change of the factor was: new over old; None where none is known."""
    changed_s: int | None = None
    load_per_attenuation: float | None = None
    """The factor in force [kg/m], by the ledger or the site file."""


def lots_of(window: Window) -> Lots:
    """Every lot whose gauge tonnes stand in the ledger or whose period lies in the stored blocks, in order of time.

    Lots are parted at the last entry that changed the factor: what was weighed before says nothing of the factor now.
    """
    factor, changed, in_force = _last_change(window.references)
    found, left_out = [], []
    for entry in window.references:
        if not isinstance(entry, MaterialTest):
            continue
        lot = _lot(window, entry)
        if isinstance(lot, str):
            left_out.append(f"{entry.source or 'a lot'}: {lot}")
        else:
            found.append(lot)
    return Lots(
        now=tuple(lot for lot in found if changed is None or lot.begin_s >= changed),
        before=tuple(lot for lot in found if changed is not None and lot.begin_s < changed),
        left_out=tuple(left_out), factor=factor, changed_s=changed,
        load_per_attenuation=in_force if in_force is not None else window.loop.gauge.load_per_attenuation,
    )  # fmt: skip


def _last_change(references: tuple[Reference, ...]) -> tuple[float | None, int | None, float | None]:
    """New over old factor, when it was entered [epoch s], and the new factor; None where the ledger does not say."""
    for entry in reversed(references):
        after, before = getattr(entry, "factor_after", None), getattr(entry, "factor_before", None)
        if after is not None and after != before:
            return (after / before if before else None), entry.end_s, after
    return None, None, None


def _lot(window: Window, entry: MaterialTest) -> Lot | str:
    """The lot, or why it cannot be used."""
    stored = stored_tonnes(window, entry.begin_s, entry.end_s)
    if entry.gauge_t is not None:
        gauge, digit = entry.gauge_t, 0.0
        flow = stored[2] * entry.reference_t / max(stored[0], 1e-9) if not isinstance(stored, str) else (
            entry.reference_t * 3600.0 / entry.run_s
        )  # fmt: skip
    elif isinstance(stored, str):
        return stored
    else:
        gauge, digit, flow = stored
        flow *= entry.reference_t / max(gauge, 1e-9)
    digit = float(np.hypot(digit, window.loop.gauge.total.resolution * EDGE))
    per_cent = 100.0 / entry.reference_t
    deviation = (gauge - entry.reference_t) * per_cent
    if abs(deviation) > GROSS:
        return f"the gauge booked {gauge:.1f} t and the reference {entry.reference_t:.1f} t: is it the right lot?"
    half = 0.5 * (0.5 * entry.reference_u_t * per_cent) ** 2
    return Lot(
        begin_s=entry.begin_s, end_s=entry.end_s, reference_t=entry.reference_t, gauge_t=gauge, deviation=deviation,
        random=float(np.sqrt(half + REPEAT**2 + (digit * per_cent) ** 2)), common=float(np.sqrt(half)), flow=flow,
        product=entry.product, moisture=entry.moisture, source=entry.source,
    )  # fmt: skip


def stored_tonnes(window: Window, begin: int, end: int) -> tuple[float, float, float] | str:
    """Tonnes the gauge booked between two moments, their standard error from cut rows [t], and the mean flow under load [t/h].

    From the finest rows that reach back; the gauge's total where it is whole, else the integral of the flow. What the damping
    of the gauge still holds back at the end, or held at the begin, belongs to the lot or not. A sentence where the history does
    not hold the period.
    """
    for rows in (window.blocks, window.minutes, window.hours):
        if len(rows) and rows.start_s[0] <= begin and rows.start_s[-1] + rows.length_s >= end:
            found = _tonnes(rows, begin, end)
            if isinstance(found, str) or rows.length_s > SHARP_S:
                return found
            held = _held(rows, begin, end, window.loop.gauge.damping)
            return found[0] + held, float(np.hypot(found[1], HELD_KNOWN * held)), found[2]
    return "the history does not reach over it, and the ledger has no gauge tonnes for it"


def _held(rows: Blocks, begin: int, end: int, damping: float) -> float:
    """Tonnes that a first-order damping [s] holds back at the end less those it held at the begin.

    From d F' = f - F: the integral of what passed is that of what is shown plus d (F(end) - F(begin)).
    """
    flows = []
    for moment in (begin, end):
        row = min(max(int(np.searchsorted(rows.start_s, moment, side="right")) - 1, 0), len(rows) - 1)
        late = moment - rows.start_s[row] > 0.5 * rows.length_s
        flows.append(float(rows.of("last" if late else "first", "flow")[row]))
    held = damping * (flows[1] - flows[0]) / 3600.0
    return held if np.isfinite(held) else 0.0


def _tonnes(rows: Blocks, begin: int, end: int) -> tuple[float, float, float] | str:
    first = int(np.searchsorted(rows.start_s, begin - rows.length_s, side="right"))
    last = int(np.searchsorted(rows.start_s, end))
    part = rows[first:last]
    if not len(part):
        return "the history has no row of it"
    inside = (np.minimum(part.start_s + part.length_s, end) - np.maximum(part.start_s, begin)) / part.length_s
    if float((part.measured_s * inside).sum()) < COVERED * (end - begin):
        return "the history has gaps in it"
    for state in ("explained", "maintenance", "calibrating"):
        if (part.state(state) > 0.0).any():
            return "the gauge was under work or at fault in it"
    booked = part.increment_t[:, 0] if np.isfinite(part.increment_t[:, 0]).all() else part.own_t
    cut = booked[inside < 1.0]
    error = EDGE * float(np.sqrt((cut * cut).sum())) if len(cut) else 0.0
    loaded = float((part.state("loaded") * inside).sum())
    flow = 3600.0 * float((part.own_t * inside).sum()) / (loaded if loaded > 0.0 else end - begin)
    return float((booked * inside).sum()), error, flow
