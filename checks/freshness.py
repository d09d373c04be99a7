"""Are the readings alive and on time?"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from checks import kept
from checks.recentness import first_row, loaded_share, running_share, tail
from checks.result import CheckResult, Evidence, Link, Verdict
from checks.samples import BAD, FLAG_CLOCK_STEP
from checks.window import Window
from config.model import FlowRange
from config.roles import ROLES, Kind, Side

NAME = "freshness"
LINKS = (Link.COMMUNICATION,)
NEEDS = ("any tag",)

COVERAGE_S = 600.0
COVERAGE_LEAST_S = 120.0
"""So much must have been seen before a share of good readings says anything: links need seconds to come up [s]."""
SIDES = (Side.GAUGE, Side.PLC, Side.DRIVE)
MOVED_FAR_PART = 0.1
FOLLOWS_S = 10.0
"""What the flow of the gauge did in the last seconds cannot be seen at the PLC, beside its declared filter [s]."""
MOVED_PART = 0.02
"""A neighbour must have moved by this part of the span before a value that repeats is called stale."""
AT_END_PART = 0.01
"""So near an end of the range a signal that is limited may stand [parts of span]."""


def check(window: Window) -> list[CheckResult]:
    """One result for each side (gauge, PLC, drive) that has tags: age and quality, coverage over ten minutes, repeats."""
    return [result for side in SIDES if (result := _side(window, side)) is not None]


def _side(window: Window, side: Side) -> CheckResult | None:
    roles = [role for role in window.loop.tags if ROLES[role].side is side and role in window.samples.values]
    if not roles:
        return None
    limit, samples = window.loop.limits.freshness, window.samples
    first = first_row(samples.time_s, window.end_s - COVERAGE_S)
    bad = np.stack([samples.quality[role][first:] == BAD for role in roles])
    step = samples.step_s
    silent = dict(zip(roles, (_runs_at_end(bad) * step).tolist(), strict=True))
    dead_after = max(limit.fault_after, 2.0 * step)
    dead = [role for role in roles if silent[role] >= dead_after]
    dull = [role for role in roles if dead_after > silent[role] >= limit.periods * step]
    enough = bad.shape[1] * step >= COVERAGE_LEAST_S
    coverage = 100.0 * (1.0 - float(bad.mean())) if bad.size else math.nan
    facts = {"silent_s": float(min(silent.values())), "roles": float(len(roles)), "dead": float(len(dead))}
    stale = _stale(window, side)
    if len(dead) == len(roles):
        verdict, reason = Verdict.FAULT, f"nothing has been read from the {_called(side)} side for {min(silent.values())} s"
        facts["lost"] = 1.0
    elif dead:
        verdict, reason = Verdict.FAULT, f"no good reading for {max(silent.values())} s: {_names(dead)}"
    elif stale is not None:
        verdict, reason = Verdict.FAULT, stale[0]
        facts |= stale[1]
    elif dull:
        verdict, reason = Verdict.SUSPECT, f"no good reading for {max(silent.values())} s: {_names(dull)}"
    elif enough and coverage < limit.coverage_fault:
        verdict, reason = Verdict.FAULT, f"only {coverage:.0f} % of the readings of ten minutes were good"
    elif enough and coverage < limit.coverage_suspect:
        verdict, reason = Verdict.SUSPECT, f"{coverage:.0f} % of the readings of ten minutes were good"
    else:
        verdict, reason = Verdict.OK, f"the {_called(side)} side is read on time"
    if samples.flags[first:].size and bool((samples.flags[first:] & FLAG_CLOCK_STEP).any()):
        facts["clock_step"] = 1.0
        reason += "; the clock of this machine stepped within ten minutes"
    facts["side"] = float(SIDES.index(side))
    return CheckResult(
        check=NAME, link=Link.COMMUNICATION, verdict=verdict, reason=reason, used=int((~bad).sum()), total=int(bad.size),
        facts=facts,
        evidence=(
            Evidence(name=f"{side.value} coverage", value=coverage if math.isfinite(coverage) else None, unit="%",
                     limit=limit.coverage_fault),
            Evidence(name=f"{side.value} silent", value=float(max(silent.values())), unit="s", limit=limit.fault_after),
        ),
    )  # fmt: skip


def _runs_at_end(bad: NDArray[np.bool_]) -> NDArray[np.int64]:
    """How many of the last values of each row are bad without a break, shape (rows,)."""
    if not bad.shape[1] or not bad[:, -1].any():
        return np.zeros(len(bad), np.int64)
    last_good = np.argmax(~bad[:, ::-1], axis=1)
    return np.asarray(np.where(bad.all(axis=1), bad.shape[1], last_good), np.int64)


def _stale(window: Window, side: Side) -> tuple[str, dict[str, float]] | None:
    """A value that repeats to the bit while its neighbour moves.

    Under load a small movement is enough; an empty, clamped or cut-off flow may stand still rightly, so that on a belt that
    merely runs the neighbour must have moved far.
    """
    pairs = {Side.GAUGE: ("flow", "plc_flow"), Side.PLC: ("plc_flow", "flow")}
    if side not in pairs:
        return None
    role, neighbour = pairs[side]
    loop, wait = window.loop, window.loop.limits.counts.frozen_after
    if role not in loop.tags or neighbour not in loop.tags or kept.changes_only(loop, role):
        return None
    values = tail(window, role, wait)
    if (len(values) > 1 and values[-1] != values[-2]) or running_share(window, wait) < 1.0:
        return None
    other = tail(window, neighbour, wait)
    if len(values) < 0.9 * wait / window.samples.step_s or not np.isfinite(values).all():
        return None
    span = loop.gauge.range.high - loop.gauge.range.low
    if side is Side.PLC:  # what the flow did just now has not come there yet
        other = other[: len(other) - int((FOLLOWS_S + loop.plc.filter) // window.samples.step_s)]
    moved = float(np.nanmax(other) - np.nanmin(other)) if np.isfinite(other).any() else 0.0
    least = MOVED_PART if loaded_share(window, wait) >= 1.0 else MOVED_FAR_PART
    if float(np.ptp(values)) > 0.0 or moved < least * span:
        return None
    if ROLES[role].kind is not Kind.NUMBER or _at_limit(float(values[-1]), other[np.isfinite(other)], loop.gauge.range):
        return None
    return f"{role} has repeated {values[-1]:.1f} t/h for {wait:.0f} s while {neighbour} moved by {moved:.0f} t/h", {
        "stale": 1.0
    }


def _at_limit(value: float, other: NDArray[np.float64], scale: FlowRange) -> bool:
    """Whether a value stands at an end of the range because its neighbour was beyond that end all the time."""
    near = AT_END_PART * (scale.high - scale.low)
    top = value >= scale.high - near and float(other.min()) > value - near
    return top or (value <= scale.low + near and float(other.max()) < value + near)


def _called(side: Side) -> str:
    return "PLC" if side is Side.PLC else side.value


def _names(roles: list[str]) -> str:
    return ", ".join(roles[:4]) + (f" and {len(roles) - 4} more" if len(roles) > 4 else "")
