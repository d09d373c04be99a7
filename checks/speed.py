"""Is the belt speed that the gauge uses the speed of the belt?"""

from __future__ import annotations

import math

import numpy as np

from checks.recentness import compare_means, last_rows, tail
from checks.result import CheckResult, Evidence, Link, Verdict, judge
from checks.window import Window

NAME = "speed"
LINKS = (Link.DRIVE,)
NEEDS = ("speed", "drive_speed or drive_running")

LOOK_S = 60.0
CONTRADICTION_S = 15.0
SUSPECT, FAULT = 1.0, 3.0
"""Speed against drive [% of the speed]; the drive slips and pulleys wear, so less than 1 % says nothing."""
STANDING_M_S = 0.05


def check(window: Window) -> list[CheckResult]:
    """Speed against the drive's feedback over the last minute, and contradictions of speed and running bit."""
    loop = window.loop
    if "speed" not in loop.tags:
        return [_skip("the loop has no tag for the belt speed", "a tag for the belt speed that the gauge uses")]
    found = _contradiction(window)
    if found is not None:
        return [found]
    nominal = loop.drive.speed_at_nominal
    if "drive_speed" not in loop.tags or nominal is None:
        return [
            _skip("the drive gives no speed to compare with", "a tag for drive_speed and speed_at_nominal in the site file")
        ]
    rows = last_rows(window, LOOK_S)
    expected = rows.of("mean", "drive_speed") / loop.drive.nominal_frequency * nominal
    means = compare_means(rows, rows.of("mean", "speed"), expected)
    if means.rows < 3 or not means.expected > STANDING_M_S:
        return [_skip("no settled minute with a running belt", "the belt running for two minutes", means.rows, len(rows))]
    scatter = means.scatter if math.isfinite(means.scatter) else 0.0
    uncertainty = 2.0 * scatter / math.sqrt(means.rows) + 0.05 * means.swing
    per_cent = 100.0 / means.expected
    verdict = judge(means.deviation * per_cent, uncertainty * per_cent, SUSPECT, FAULT)
    agree = "agrees with" if verdict is Verdict.OK else "differs from"
    return [
        CheckResult(
            check=NAME, link=Link.DRIVE, verdict=verdict, used=means.rows, total=len(rows),
            reason=f"the belt speed {agree} the drive: {means.shown:.3f} m/s against {means.expected:.3f} m/s",
            evidence=(
                Evidence(
                    name="deviation", value=means.deviation * per_cent, unit="% of speed", limit=FAULT,
                    standard_error=uncertainty * per_cent / 2.0,
                ),
                Evidence(name="shown", value=means.shown, unit="m/s"),
                Evidence(name="expected", value=means.expected, unit="m/s"),
            ),
            facts={
                "deviation": means.deviation, "uncertainty": uncertainty, "deviation_span": means.deviation * per_cent,
                "uncertainty_span": uncertainty * per_cent, "limit_span": FAULT, "ratio": means.shown / means.expected,
            },
        )
    ]  # fmt: skip


def _contradiction(window: Window) -> CheckResult | None:
    """The speed says that the belt stands and the drive that it runs, or the other way round."""
    running, speed = tail(window, "drive_running", CONTRADICTION_S), tail(window, "speed", CONTRADICTION_S)
    good = np.isfinite(running) & np.isfinite(speed)
    if good.sum() < max(3, 0.8 * CONTRADICTION_S / window.samples.step_s):
        return None
    lost = bool((running[good] > 0.5).all() and (np.abs(speed[good]) < STANDING_M_S).all())
    held = bool((running[good] < 0.5).all() and (speed[good] > STANDING_M_S).all())
    if not lost and not held:
        return None
    value = float(speed[good].mean())
    words = "the drive runs and the speed is zero" if lost else f"the drive stands and the speed is {value:.2f} m/s"
    return CheckResult(
        check=NAME, link=Link.DRIVE, verdict=Verdict.FAULT, reason=words, used=int(good.sum()), total=len(good),
        evidence=(Evidence(name="speed", value=value, unit="m/s"),), facts={"lost" if lost else "held": 1.0},
    )  # fmt: skip


def _skip(reason: str, need: str, used: int = 0, total: int = 0) -> CheckResult:
    return CheckResult(
        check=NAME, link=Link.DRIVE, verdict=Verdict.NOT_EVALUATED, reason=reason, needs=(need,), used=used, total=total
    )
