"""Is the detector within its temperatures, and is its temperature believable?"""

from __future__ import annotations

import numpy as np

from checks.recentness import last_rows, tail
from checks.result import CheckResult, Evidence, Link, Verdict
from checks.window import Window

NAME = "temperature"
LINKS = (Link.COUNTS,)
NEEDS = ("detector_temperature",)

LOOK_S = 10.0
RATE_S = 600.0
STUCK_S = 60.0


def check(window: Window) -> list[CheckResult]:
    """Level over the last 10 s (median), rate of change over 10 min, and whether the sensor itself can be believed."""
    if "detector_temperature" not in window.loop.tags:
        return [_skip("the loop has no tag for the detector temperature", "a tag for the detector temperature")]
    limit = window.loop.limits.temperature
    step = window.samples.step_s
    values = tail(window, "detector_temperature", max(LOOK_S, step))
    good = values[np.isfinite(values)]
    if len(good) < max(1, 0.5 * LOOK_S / step):
        return [_skip("too few good readings of the detector temperature", "good readings for 10 s", len(good), len(values))]
    level = float(np.median(good))
    rate = _rate(window)
    verdict, reason, fact = Verdict.OK, f"the detector is at {level:.1f} degC", ""
    stuck = tail(window, "detector_temperature", max(STUCK_S, 3.0 * step))
    zero = len(stuck) >= max(3, 0.8 * STUCK_S / step) and bool((stuck == 0.0).all())
    if zero or not limit.plausible_low <= level <= limit.plausible_high:
        verdict, reason, fact = (
            Verdict.SUSPECT,
            f"{level:.1f} degC is not believable: doubt the sensor or its tag first",
            "implausible",
        )
    elif level > limit.fault_high:
        verdict, reason, fact = Verdict.FAULT, f"the detector is at {level:.1f} degC, above {limit.fault_high:g} degC", "high"
    elif level < limit.fault_low:
        verdict, reason, fact = Verdict.FAULT, f"the detector is at {level:.1f} degC, below {limit.fault_low:g} degC", "low"
    elif level > limit.suspect_high:
        verdict, reason, fact = (
            Verdict.SUSPECT,
            f"the detector is warm: {level:.1f} degC, above {limit.suspect_high:g} degC",
            "warm",
        )
    elif level < limit.suspect_low:
        verdict, reason, fact = (
            Verdict.SUSPECT,
            f"the detector is cold: {level:.1f} degC, below {limit.suspect_low:g} degC",
            "cold",
        )
    elif rate is not None and abs(rate) > limit.rate:
        verdict, reason, fact = Verdict.SUSPECT, f"the detector temperature moves by {rate:+.1f} K/min", "rate"
    facts = {"temperature": level} | ({fact: 1.0} if fact else {}) | ({"rate_k_min": rate} if rate is not None else {})
    return [
        CheckResult(
            check=NAME, link=Link.COUNTS, verdict=verdict, reason=reason, used=len(good), total=len(values), facts=facts,
            evidence=(
                Evidence(
                    name="detector temperature", value=level, unit="degC",
                    limit=limit.fault_low if level < limit.suspect_low else limit.fault_high,
                ),
                Evidence(name="rate of change", value=rate, unit="K/min", limit=limit.rate),
            ),
        )
    ]  # fmt: skip


def _rate(window: Window) -> float | None:
    """Change over the last ten minutes [K/min], by the means of its first and last minute; None where either is missing."""
    rows = last_rows(window, RATE_S)
    means = rows.of("mean", "detector_temperature")
    early, late = rows.start_s < window.end_s - RATE_S + 60, rows.start_s >= window.end_s - 60
    early, late = early & np.isfinite(means), late & np.isfinite(means)
    if not early.any() or not late.any():
        return None
    minutes = (rows.start_s[late].mean() - rows.start_s[early].mean()) / 60.0
    return float((means[late].mean() - means[early].mean()) / minutes) if minutes > 0.0 else None


def _skip(reason: str, need: str, used: int = 0, total: int = 0) -> CheckResult:
    return CheckResult(
        check=NAME, link=Link.COUNTS, verdict=Verdict.NOT_EVALUATED, reason=reason, needs=(need,), used=used, total=total
    )
