"""Is the belt speed that the gauge uses the speed of the belt?"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from checks import kept
from checks.blocks import Blocks
from checks.recentness import compare_means, last_rows, tail
from checks.result import CheckResult, Evidence, Link, Verdict, judge
from checks.state import empty_below
from checks.window import Window

Floats = NDArray[np.float64]

NAME = "speed"
LINKS = (Link.DRIVE,)
NEEDS = ("speed", "drive_speed or drive_running")

LOOK_S = 60.0
CONTRADICTION_S = 15.0
SUSPECT, FAULT = 1.0, 3.0
"""Speed against drive [% of the speed]; the drive slips and pulleys wear, so less than 1 % says nothing."""
STANDING_M_S = 0.05
HELD_S = 30.0
"""How long a flow must have stood on a belt that stands [s]: longer than run-down and damping."""
FIXED_S = 7200.0
STILL = 0.002
"""A measured speed moves by more than this part of itself when the drive moves."""
MOVED = 0.05
"""Move of the drive [parts of its mean] that a measured speed must follow."""
FIXED_ROWS = 12
BURSTS_S = 600.0
BURST, BURST_SHARE = 1.1, 0.05
"""A sample this many times the speed of the drive is a burst; so large a part of the samples must be bursts."""
BURSTS, LONGEST_BURST = 5, 5
"""So many bursts at least, none longer than so many samples: what lasts is no burst."""
STEADY_HZ = 0.01
"""Samples around which the drive moved by more than this part of itself say nothing of bursts."""


def check(window: Window) -> list[CheckResult]:
    """Speed against the drive's feedback over the last minute, and contradictions of speed and running bit."""
    loop = window.loop
    if "speed" not in loop.tags:
        held = held_flow(window)
        if held is not None:
            return [held]
        return [_skip("the loop has no tag for the belt speed", "a tag for the belt speed that the gauge uses")]
    for found in (_contradiction(window), held_flow(window), _fixed(window), _bursts(window)):
        if found is not None:
            return [found]
    nominal = loop.drive.speed_at_nominal
    if "drive_speed" not in loop.tags or nominal is None:
        return [
            _skip("the drive gives no speed to compare with", "a tag for drive_speed and speed_at_nominal in the site file")
        ]
    rows = last_rows(window, LOOK_S)
    expected = driven_speed(window, rows)
    assert expected is not None
    means = compare_means(rows, rows.of("mean", "speed"), expected)
    if means.rows < 3 or not means.expected > STANDING_M_S:
        return [_skip("no settled minute with a running belt", "the belt running for two minutes", means.rows, len(rows))]
    scatter = means.scatter if math.isfinite(means.scatter) else 0.0
    stored = kept.standard(loop, "drive_speed") * nominal / loop.drive.nominal_frequency
    unknown = math.hypot(kept.standard(loop, "speed"), stored)
    uncertainty = 2.0 * math.hypot(scatter / math.sqrt(means.rows), unknown) + 0.05 * means.swing
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


def held_flow(window: Window) -> CheckResult | None:
    """A flow that stands above zero, to the bit, while the drive is off and the speed is zero: held by the gauge, or by the PLC
    where the gauge shows none."""
    running = tail(window, "drive_running", HELD_S)
    stands = np.isfinite(running) & (running < 0.5)
    measured = "speed" in window.loop.tags
    if measured:
        stands &= np.nan_to_num(np.abs(tail(window, "speed", HELD_S)), nan=1.0) < STANDING_M_S
    if len(stands) < max(3, 0.8 * HELD_S / window.samples.step_s) or not stands.all():
        return None
    least = empty_below(window.loop)
    gauge, plc = tail(window, "flow", HELD_S), tail(window, "plc_flow", HELD_S)
    by_gauge, by_plc = _held(gauge, least), _held(plc, least) and bool((np.abs(gauge) < least).all())
    by_plc = by_plc and _moved_before(window, "plc_flow")
    if not by_gauge and not by_plc:
        return None
    value = float(gauge[-1] if by_gauge else plc[-1])
    who = "gauge" if by_gauge else "PLC"
    return CheckResult(
        check=NAME, link=Link.DRIVE, verdict=Verdict.FAULT, used=len(running), total=len(running),
        reason=f"the belt stands and the flow of the {who} is {value:.1f} t/h",
        evidence=(Evidence(name="flow on the standing belt", value=value, unit="t/h", limit=least),),
        facts={"held_flow": 1.0, "held_by_plc": float(by_plc), "speed_known": float(measured)},
    )  # fmt: skip


def _moved_before(window: Window, role: str) -> bool:
    """Whether a flow still moved in the last minute of the running belt: one that stood before is no flow held at the stop."""
    running = np.flatnonzero(np.nan_to_num(window.samples.column("drive_running"), nan=0.0) > 0.5)
    if not len(running):
        return True
    last = int(running[-1]) + 1
    values = window.samples.column(role)[max(0, last - int(60 // window.samples.step_s)) : last]
    values = values[np.isfinite(values)]
    return len(values) < 3 or bool(np.ptp(values) > 0.0)


def _held(flow: Floats, least: float) -> bool:
    return bool(len(flow) and np.isfinite(flow).all() and np.ptp(flow) == 0.0 and flow[-1] > least)


def driven_speed(window: Window, rows: Blocks) -> Floats | None:
    """Belt speed of each block by the drive [m/s]; None where the drive gives none."""
    drive = window.loop.drive
    if "drive_speed" not in window.loop.tags or drive.speed_at_nominal is None:
        return None
    return np.asarray(rows.of("mean", "drive_speed") / drive.nominal_frequency * drive.speed_at_nominal, np.float64)


def settled(rows: Blocks) -> NDArray[np.bool_]:
    """Blocks in which the belt runs as it has run for a while, shape (B,)."""
    return np.asarray(sum(rows.state(state) for state in ("stopped", "unknown", "unsettled", "explained")) == 0.0)


def _fixed(window: Window) -> CheckResult | None:
    """The speed tag stands still over two hours in which the drive moved."""
    rows = last_rows(window, FIXED_S)
    driven = driven_speed(window, rows)
    if driven is None:
        return None
    shown = rows.of("mean", "speed")
    good = settled(rows) & np.isfinite(driven) & np.isfinite(shown) & (driven > STANDING_M_S)
    if good.sum() < FIXED_ROWS:
        return None
    belt, tag = driven[good], shown[good]
    moves = np.flatnonzero(np.abs(tag - tag[-1]) > STILL * abs(float(tag[-1])))
    since = int(moves[-1]) + 1 if len(moves) else 0
    belt, tag = belt[since:], tag[since:]
    if len(belt) < FIXED_ROWS or float(np.ptp(belt)) <= MOVED * float(belt.mean()):
        return None
    off = float(np.abs(tag / belt - 1.0).max()) * 100.0
    if off <= FAULT or (np.abs(belt - np.median(belt)) > 0.5 * MOVED * belt.mean()).sum() < FIXED_ROWS / 2:
        return None
    low, high = float(belt.min()), float(belt.max())
    return CheckResult(
        check=NAME, link=Link.DRIVE, verdict=Verdict.FAULT, used=len(belt), total=len(rows),
        reason=f"the speed tag stands at {float(tag.mean()):.3f} m/s while the drive went between {low:.2f} and {high:.2f} m/s",
        evidence=(
            Evidence(name="largest deviation", value=off, unit="% of speed", limit=FAULT),
            Evidence(name="lowest speed of the drive", value=low, unit="m/s"),
            Evidence(name="highest speed of the drive", value=high, unit="m/s"),
        ),
        facts={
            "fixed": 1.0, "ratio": float(tag.mean() / belt.mean()),
            "since_s": float(rows.start_s[good][since]), "known_s": float(rows.start_s[good][max(since - 1, 0)]),
        },
    )  # fmt: skip


def _bursts(window: Window) -> CheckResult | None:
    """The speed agrees with a steady drive but for single seconds in which it is far higher, never lower."""
    loop = window.loop
    if "drive_speed" not in loop.tags or loop.drive.speed_at_nominal is None:
        return None
    hertz, shown = tail(window, "drive_speed", BURSTS_S), tail(window, "speed", BURSTS_S)
    if len(hertz) < 60:
        return None
    around = np.full(len(hertz), np.nan)
    around[3:-3] = np.abs(hertz[6:] - hertz[:-6])
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = shown / (hertz / loop.drive.nominal_frequency * loop.drive.speed_at_nominal)
        steady = (around <= STEADY_HZ * hertz) & (hertz > 0.1 * loop.drive.nominal_frequency) & np.isfinite(ratio)
    if steady.sum() < 60:
        return None
    seen = ratio[steady]
    share = float((seen > BURST).mean())
    with np.errstate(invalid="ignore"):
        edges = np.flatnonzero(np.diff(np.concatenate([[False], ratio > BURST, [False]]).astype(np.int8)))
    if len(edges) < 2 * BURSTS or int((edges[1::2] - edges[::2]).max()) > LONGEST_BURST:
        return None
    if share < BURST_SHARE or share > 0.5 or (seen < 2.0 - BURST).any() or abs(float(np.median(seen)) - 1.0) > FAULT / 100.0:
        return None
    return CheckResult(
        check=NAME, link=Link.DRIVE, verdict=Verdict.FAULT, used=int(steady.sum()), total=len(hertz),
        reason=f"the belt speed leaps above the drive in {100.0 * share:.0f} % of the seconds and is never below it",
        evidence=(Evidence(name="seconds with too high a speed", value=100.0 * share, unit="%", limit=100.0 * BURST_SHARE),),
        facts={"bursts": 1.0, "ratio": float(seen.mean())},
    )  # fmt: skip


def _skip(reason: str, need: str, used: int = 0, total: int = 0) -> CheckResult:
    return CheckResult(
        check=NAME, link=Link.DRIVE, verdict=Verdict.NOT_EVALUATED, reason=reason, needs=(need,), used=used, total=total
    )
