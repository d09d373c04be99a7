"""Does the current say what a current may say: levels of NAMUR NE 43, clipped, standing still."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from checks import kept
from checks.recentness import running_share, tail
from checks.result import CheckResult, Evidence, Link, Verdict
from checks.signal import LIVE_ZERO_MA, current_of, current_of_raw, limited
from checks.window import Window

Floats = NDArray[np.float64]

NAME = "current"
LINKS = (Link.CURRENT, Link.INPUT_CARD)
NEEDS = ("loop_current or ai_raw", "flow")

OPEN_MA = 2.0
"""Below this nothing drives the loop: an output that signals a failure still sends 3.6 mA or less, but never this little."""
CLIPPED_MA = 20.4
CLIPPED_S = 600.0
CLIPPED_SHARE = 0.05
STILL_PART = 0.15
"""An output is called still where its current moved by less than this part of what the flow demanded, ..."""
STILL_MA = 0.02
"""... and by no more than this: noise of a measured current that does not move (own estimate)."""
MOVED_MA = 0.12
"""The flow must have demanded at least this much movement."""
CEILING_S = 20
"""So long must the flow have demanded less than a current that stands before it is no ceiling [s]."""
STILL_DIGITS = 1.5
"""Digits of the card by which a current that stands still may flicker."""


def check(window: Window) -> list[CheckResult]:
    """Levels with their confirmation time, then clipping, then an output that stands still under a moving flow."""
    loop = window.loop
    role = "loop_current" if "loop_current" in loop.tags else "ai_raw"
    link = Link.CURRENT if role == "loop_current" else Link.INPUT_CARD
    if role not in loop.tags:
        return [
            _skip(link, "the loop has no tag for its current", "loop_current or ai_raw; the raw card count is usually free")
        ]
    limit = loop.limits.current
    confirm = tail(window, role, max(limit.confirm, float(window.samples.step_s)))
    now = _milliamps(window, role, confirm)
    good = now[np.isfinite(now)]
    if not len(good):
        return [_skip(link, "no good reading of the current", f"good readings of {role}", 0, len(now))]
    level = float(np.median(good))
    verdict, reason, facts = _level(good, window, link)
    if verdict is Verdict.OK:
        verdict, reason, facts = _clipped(window, role) or _still(window, role) or (verdict, reason, facts)
    facts["current"] = level
    return [
        CheckResult(
            check=NAME, link=link, verdict=verdict, reason=reason, used=len(good), total=len(now), facts=facts,
            evidence=(
                Evidence(
                    name="current", value=level, unit="mA",
                    limit=limit.failure_low if level < limit.measuring_low else limit.failure_high,
                ),
            ),
        )
    ]  # fmt: skip


def _milliamps(window: Window, role: str, values: Floats) -> Floats:
    return values if role == "loop_current" else current_of_raw(values, window.loop.plc.raw_span)


def _level(good: Floats, window: Window, link: Link) -> tuple[Verdict, str, dict[str, float]]:
    limit = window.loop.limits.current
    where = "the loop carries" if link is Link.CURRENT else "the card sees"
    lowest, highest = float(good.min()), float(good.max())
    if highest < OPEN_MA:
        return Verdict.FAULT, f"{where} {highest:.2f} mA: open, unpowered or reversed", {"open": 1.0}
    if highest <= limit.failure_low:
        return Verdict.FAULT, f"{where} {highest:.2f} mA: the gauge signals a failure (NAMUR NE 43)", {"failure_low": 1.0}
    if lowest >= limit.failure_high:
        return Verdict.FAULT, f"{where} {lowest:.2f} mA: the gauge signals a failure (NAMUR NE 43)", {"failure_high": 1.0}
    if highest < limit.measuring_low or lowest > limit.measuring_high:
        return Verdict.SUSPECT, f"{where} {float(np.median(good)):.2f} mA, outside the measuring range", {"outside": 1.0}
    return Verdict.OK, f"{where} {float(np.median(good)):.2f} mA", {}


def _clipped(window: Window, role: str) -> tuple[Verdict, str, dict[str, float]] | None:
    values = _milliamps(window, role, tail(window, role, CLIPPED_S))
    flow = tail(window, "flow", CLIPPED_S)
    good = np.isfinite(values) & np.isfinite(flow)
    if good.sum() < 0.5 * CLIPPED_S / window.samples.step_s:
        return None
    clipped = good & (values >= CLIPPED_MA) & (flow > window.loop.gauge.range.high)
    share = float(clipped.sum() / good.sum())
    if share <= CLIPPED_SHARE:
        return None
    return (
        Verdict.SUSPECT,
        f"the flow was above the range for {share:.0%} of ten minutes: its peaks are lost",
        {"clipped": share},
    )


def _still(window: Window, role: str) -> tuple[Verdict, str, dict[str, float]] | None:
    """An output that stands while the flow moves. Only a running belt is judged, and only where the gauge neither cuts off
    nor goes below 4 mA (which some cards cannot see): what stands still there does so rightly."""
    loop, limit = window.loop, window.loop.limits.current
    if running_share(window, limit.frozen_after) < 1.0 or kept.changes_only(loop, role) or kept.changes_only(loop, "flow"):
        return None
    values, flow = _milliamps(window, role, tail(window, role, limit.frozen_after)), tail(window, "flow", limit.frozen_after)
    good = np.isfinite(values) & np.isfinite(flow) & ((flow > loop.gauge.low_cutoff) | (loop.gauge.low_cutoff <= 0.0))
    if good.sum() < 0.9 * limit.frozen_after / window.samples.step_s:
        return None
    demanded = limited(np.asarray(current_of(flow[good], loop.gauge.range)), LIVE_ZERO_MA)
    moved, wanted = float(np.ptp(values[good])), float(np.ptp(demanded))
    if demanded.min() > values[good].max() + MOVED_MA:
        return None  # the flow wants more than it gets all the time: a ceiling, not an output that stands
    under = (demanded < values[good].min() - MOVED_MA).sum() * window.samples.step_s
    if under < CEILING_S and (demanded > values[good].max() + MOVED_MA).mean() > 0.5:
        return None  # a ceiling that the flow has only just gone below
    span = loop.plc.raw_span
    digits = STILL_DIGITS * 16.0 / abs(span.high - span.low) if role == "ai_raw" else 0.0
    if wanted < MOVED_MA or moved > max(min(STILL_PART * wanted, STILL_MA), limit.frozen_band, digits):
        return None
    return (
        Verdict.FAULT,
        f"the current moved by {moved:.3f} mA in {limit.frozen_after:.0f} s while the flow demanded {wanted:.2f} mA",
        {"still": 1.0, "moved": moved, "demanded": wanted},
    )


def _skip(link: Link, reason: str, need: str, used: int = 0, total: int = 0) -> CheckResult:
    return CheckResult(
        check=NAME, link=link, verdict=Verdict.NOT_EVALUATED, reason=reason, needs=(need,), used=used, total=total
    )
