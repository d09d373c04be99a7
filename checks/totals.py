"""Do the totals add up what passed? Gauge total and PLC total, each against the integral of its own flow."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from checks import kept
from checks.blocks import TOTALS, Blocks
from checks.recentness import first_row
from checks.result import CheckResult, Evidence, Link, Verdict, judge
from checks.window import Window
from config.model import Totalizer

Floats = NDArray[np.float64]

NAME = "totals"
LINKS = (Link.TOTALS,)
NEEDS = ("plc_total with plc_flow, gauge_total with flow",)

HORIZONS_S = (600, 1800, 3600, 2 * 3600, 4 * 3600, 8 * 3600, 86400)
OVER_S = 1800
"""A horizon at least this long may say that what longer ones show is over [s]."""
SKEW_S = 1.0
"""How far flow and total may be read apart [s]."""
INTEGRATION = 0.0005
"""Systematic part of an integral of readings once a second [parts]."""
BETWEEN = 0.3
"""Part of a step between two readings by which the flow between them may lie off the straight line (uniform: 1/sqrt(12))."""
UPWARD_KNOWN = 0.1
"""How well the positive part of a noisy flow is known from its mean and scatter [parts of it]."""
STATES = ("loaded", "empty", "stopped")


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """A total over a horizon: what it gained, what it should have, U (k = 2) [t], and both by state of the belt."""

    gained: float
    demanded: float
    uncertainty: float
    begin_s: int
    rows: int
    by_state: dict[str, tuple[float, float]]
    likely: float = 0.0
    """U (k = 2) [t] where the digits of the total count by chance (both ends rounded: resolution/sqrt(6)) and not at their worst."""
    upward: bool = False
    """Held against a flow whose negative part is left out, as a total that only counts up leaves it out."""

    @property
    def per_cent(self) -> float:
        """Deviation in % of what passed."""
        return 100.0 * (self.gained - self.demanded) / self.demanded if self.demanded > 0.0 else math.nan

    @property
    def share(self) -> float:
        """U in % of what passed."""
        return 100.0 * self.uncertainty / self.demanded if self.demanded > 0.0 else math.nan


def check(window: Window) -> list[CheckResult]:
    """r7 (PLC total) and r6 (gauge total), over horizons from ten minutes to `limits.totals.horizon`.

    The shortest horizon that shows a fault decides; else the longest. A fault that only longer horizons still remember,
    while a shorter one agrees and cannot be squared with them, is over. Rows with missing readings, and the row behind a
    gap or a break of the total, are left out on both sides. r8 (PLC total less gauge total) is given as evidence only: it
    sums up all that lies before it.
    """
    out = []
    for column, (role, flow, label) in enumerate(
        (("gauge_total", "flow", "gauge total"), ("plc_total", "plc_flow", "PLC total"))
    ):
        if role not in window.loop.tags or flow not in window.loop.tags:
            out.append(_skip(label, "the loop lacks a tag", f"tags for {role} and {flow}"))
            continue
        totalizer = window.loop.gauge.total if column == 0 else window.loop.plc.total
        out.append(_judged(window, column, label, totalizer))
    return out


def bad_t(blocks: Blocks, column: int) -> float:
    """Tonnes a total gained in rows without a single usable reading of its flow: what it books blindly."""
    measured = blocks.measured_s if column == 0 else blocks.plc_measured_s
    return float(np.nansum(blocks.increment_t[measured == 0.0, column]))


def between_totals(blocks: Blocks) -> float | None:
    """r8: PLC total less gauge total [t] over rows in which neither broke; None where one of them is not there."""
    both = np.isfinite(blocks.increment_t).all(axis=1) & (blocks.discontinuities == 0.0).all(axis=1)
    return float((blocks.increment_t[both, 1] - blocks.increment_t[both, 0]).sum()) if both.any() else None


def usable_rows(blocks: Blocks, column: int) -> NDArray[np.bool_]:
    """Rows in which both the total and its flow were there throughout, and no break or gap lies in or just before them.

    Nor does a break lie just behind them: it is decided some readings after it came, and until then the total gains nothing.
    """
    measured = blocks.measured_s if column == 0 else blocks.plc_measured_s
    whole = (
        (measured >= blocks.covered_s - 1e-9)
        & (blocks.covered_s >= blocks.length_s)
        & np.isfinite(blocks.increment_t[:, column])
    )
    quiet = blocks.discontinuities[:, column] == 0.0
    before_break = np.zeros(len(blocks), np.bool_)
    before_break[:-1] = ~quiet[1:]
    after_gap = np.ones(len(blocks), np.bool_)
    after_gap[1:] = (np.diff(blocks.start_s) != blocks.length_s) | ~whole[:-1] | ~quiet[:-1]
    busy = (blocks.state("maintenance") > 0.0) | (blocks.state("calibrating") > 0.0) | (blocks.state("explained") > 0.0)
    return np.asarray(whole & quiet & ~before_break & ~after_gap & ~busy)


def upward_t(blocks: Blocks, column: int) -> Floats:
    """Integral of the positive part of a flow over each row [t], shape (B,), by the mean and the scatter of its readings.

    For readings about a mean m with a standard deviation s (Gaussian) the positive part has the mean m Phi(m/s) + s phi(m/s).
    """
    own = blocks.own_t if column == 0 else blocks.plc_own_t
    role, measured = ("flow", blocks.measured_s) if column == 0 else ("plc_flow", blocks.plc_measured_s)
    n, least = blocks.of("n", role), blocks.of("minimum", role)
    hours = measured / 3600.0
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = own / hours
        spread = np.maximum(np.sqrt(blocks.of("m2", role) / np.maximum(n, 1.0)), 1e-9)
        positive = mean * norm.cdf(mean / spread) + spread * norm.pdf(mean / spread)
    return np.asarray(np.where((least < 0.0) & (hours > 0.0), positive * hours, own), np.float64)


def balance(
    blocks: Blocks,
    column: int,
    totalizer: Totalizer,
    rows: NDArray[np.bool_],
    full_range: float,
    *,
    upward: bool = False,
    unknown: tuple[float, float] = (0.0, 0.0),
) -> Balance:
    """What a total gained against the integral of its flow over some rows [t]; `upward`: of its positive part.

    `unknown` are the standard uncertainties of the flow [t/h] and the total [t] where only changes were stored.
    """
    own = blocks.own_t if column == 0 else blocks.plc_own_t
    rounding = 0.0
    if upward:
        positive = upward_t(blocks, column)
        rounding = UPWARD_KNOWN * float(np.abs(positive - np.maximum(own, 0.0))[rows].sum())
        own = positive
    gained, demanded = blocks.increment_t[rows, column], own[rows]
    states = {state: blocks.state(state)[rows] > 0.5 * blocks.length_s for state in STATES}
    tonnes = float(demanded.sum())
    breaks = 1 + int((np.diff(blocks.start_s[rows]) != blocks.length_s).sum()) if rows.any() else 1
    digits = totalizer.resolution * (1.0 + math.sqrt(breaks - 1.0))  # at most one for a stretch, and every minute looks again
    skew = (
        SKEW_S * min(full_range, 3600.0 * float(np.abs(demanded).max(initial=0.0)) / blocks.length_s) / 3600.0 / math.sqrt(3.0)
    )
    sampled = sampling_error(blocks, "flow" if column == 0 else "plc_flow", rows)
    hours = float(blocks.covered_s[rows].sum()) / 3600.0
    stored = math.hypot(unknown[0] * hours, unknown[1] * math.sqrt(2.0 * breaks))
    standard = math.sqrt(breaks * skew**2 + sampled**2 + (INTEGRATION * abs(tonnes)) ** 2 + rounding**2 + stored**2)
    return Balance(
        gained=float(gained.sum()), demanded=tonnes, uncertainty=2.0 * standard + digits,
        begin_s=int(blocks.start_s[rows][0]) if rows.any() else 0, rows=int(rows.sum()),
        by_state={state: (float(gained[here].sum()), float(demanded[here].sum())) for state, here in states.items()},
        likely=2.0 * math.sqrt(standard**2 + breaks * totalizer.resolution**2 / 6.0), upward=upward,
    )  # fmt: skip


def sampling_error(blocks: Blocks, role: str, rows: NDArray[np.bool_]) -> float:
    """Standard error [t] of a trapezoid over readings that moved from one to the next: BETWEEN of the step, each by chance.

    Nothing at 1 s behind a damping of seconds; at 30 s or more it is what decides how long a total must be watched.
    """
    n, mean = blocks.of("n", role), blocks.of("mean", role)
    moved = np.full(len(blocks), np.nan)
    moved[1:] = np.diff(mean)
    square = np.where(n > 1.0, 2.0 * blocks.of("m2", role) / np.maximum(n - 1.0, 1.0), moved**2)
    return BETWEEN * blocks.step_s / 3600.0 * math.sqrt(float(np.nansum((n * square)[rows])))


def _judged(window: Window, column: int, label: str, totalizer: Totalizer) -> CheckResult:
    blocks, limit = window.blocks, window.loop.limits.totals
    usable = usable_rows(blocks, column)
    full = max(window.loop.gauge.range.high, window.loop.plc.range.high)
    flow, total = (("flow", "gauge_total"), ("plc_flow", "plc_total"))[column]
    unknown = kept.standard(window.loop, flow), kept.standard(window.loop, total)
    chosen: Balance | None = None
    verdict = Verdict.NOT_EVALUATED
    agreed: Balance | None = None
    for horizon in (*(h for h in HORIZONS_S if h < limit.horizon), int(limit.horizon)):
        first = max(first_row(blocks.start_s, window.end_s - horizon), 1) - 1  # one row more: what moved since the row before
        rows = usable[first:] & (blocks.start_s[first:] >= window.end_s - horizon)
        found = _kind(blocks[first:], column, totalizer, rows, full, unknown)
        if found.demanded < limit.least_tonnes:
            idle = _idle(found, limit.least_tonnes)
            if idle is not None:
                chosen, verdict = found, idle
            continue
        now = judge(found.per_cent, found.share, limit.suspect, limit.fault)
        if now is not Verdict.OK and agreed is not None and _over(agreed, found):
            chosen, verdict = agreed, Verdict.OK
            break
        chosen, verdict = found, now
        if verdict is Verdict.FAULT:
            break
        if verdict is Verdict.OK and horizon >= OVER_S:
            agreed = found
    if chosen is None:
        have = float((blocks.own_t if column == 0 else blocks.plc_own_t)[usable].sum())
        return _skip(
            label, f"only {max(have, 0.0):.1f} t have passed",
            f"{max(limit.least_tonnes - have, 0.0):.0f} t more over the belt", int(usable.sum()), len(blocks),
        )  # fmt: skip
    return _told(window, column, label, chosen, verdict, len(blocks))


def _kind(
    blocks: Blocks, column: int, totalizer: Totalizer, rows: NDArray[np.bool_], full: float, unknown: tuple[float, float]
) -> Balance:
    """The balance of a total that is signed or only counts up: of both kinds the one that it is nearer to, where they differ."""
    signed = balance(blocks, column, totalizer, rows, full, unknown=unknown)
    if not rows.any() or abs(signed.gained - signed.demanded) <= signed.uncertainty:
        return signed
    upward = balance(blocks, column, totalizer, rows, full, upward=True, unknown=unknown)
    if upward.demanded - signed.demanded <= signed.uncertainty:
        return signed
    nearer = abs(upward.gained - upward.demanded) < 0.5 * abs(signed.gained - signed.demanded)
    return upward if nearer else signed


def _over(recent: Balance, long: Balance) -> bool:
    """Whether what the long horizon shows lies before the recent one: the two differ by more than both are uncertain.

    Compared under load alone: a total that goes wrong only while the belt is empty agrees under load and is not over.
    """
    (gained, demanded), (now_gained, now_demanded) = long.by_state["loaded"], recent.by_state["loaded"]
    elsewhere = (long.gained - long.demanded) - (gained - demanded)
    if demanded <= 0.0 or now_demanded <= 0.0 or abs(elsewhere) > long.uncertainty:
        return False
    return 100.0 * abs(gained / demanded - now_gained / now_demanded) > recent.share + long.share


def _idle(found: Balance, least: float) -> Verdict | None:
    """A total that gains while hardly anything is demanded of it is wrong however little passed."""
    excess = found.gained - found.demanded
    return Verdict.FAULT if abs(excess) - found.uncertainty > 0.25 * least else None


def _told(window: Window, column: int, label: str, found: Balance, verdict: Verdict, total: int) -> CheckResult:
    limit, excess = window.loop.limits.totals, found.gained - found.demanded
    rows = window.blocks[slice(int(np.searchsorted(window.blocks.start_s, found.begin_s)), None)]
    apart = between_totals(rows)
    hours = (window.end_s - found.begin_s) / 3600.0
    words = {
        Verdict.OK: "counts up only and agrees" if found.upward else "agrees with its flow",
        Verdict.NOT_EVALUATED: "cannot be judged yet",
    }.get(verdict, "differs from its flow")
    facts = {
        "column": float(column), "gained_t": found.gained, "demanded_t": found.demanded, "excess_t": excess,
        "uncertainty_t": found.uncertainty, "begin_s": float(found.begin_s), "deviation_span": found.per_cent,
        "uncertainty_span": found.share, "limit_span": limit.fault,
        "deviation": excess, "uncertainty": found.uncertainty, "bad_gained_t": bad_t(rows, column),
        "upward": float(found.upward),
    }  # fmt: skip
    for state, (gained, demanded) in found.by_state.items():
        facts |= {f"{state}_gained_t": gained, f"{state}_demanded_t": demanded}
    if found.demanded > 0.0:
        facts |= {"ratio": found.gained / found.demanded, "ratio_se": 0.5 * found.uncertainty / found.demanded}
    return CheckResult(
        check=NAME, link=Link.TOTALS, verdict=verdict,
        reason=f"the {label} {words}: {found.gained:.1f} t against {found.demanded:.1f} t in {hours:.1f} h",
        evidence=(
            Evidence(
                name="deviation", value=found.per_cent if math.isfinite(found.per_cent) else None, unit="% of the tonnes",
                limit=limit.fault, standard_error=0.5 * found.share if math.isfinite(found.share) else None,
            ),
            Evidence(name="shown", value=found.gained, unit="t"),
            Evidence(name="expected", value=found.demanded, unit="t"),
            *([] if apart is None else [Evidence(name="PLC total less gauge total", value=apart, unit="t")]),
            *(
                Evidence(name=f"shown less expected, belt {state}", value=gained - demanded, unit="t")
                for state, (gained, demanded) in found.by_state.items()
            ),
        ),
        needs=() if verdict is not Verdict.NOT_EVALUATED else ("more tonnes over the belt",),
        used=found.rows, total=total, facts={name: value for name, value in facts.items() if math.isfinite(value)},
    )  # fmt: skip


def _skip(label: str, reason: str, need: str, used: int = 0, total: int = 0) -> CheckResult:
    return CheckResult(
        check=NAME, link=Link.TOTALS, verdict=Verdict.NOT_EVALUATED, reason=f"{label}: {reason}", needs=(need,), used=used,
        total=total, facts={"column": float(TOTALS.index("gauge_total" if label == "gauge total" else "plc_total"))},
    )  # fmt: skip
