"""Findings of belt speed: fixed, held at a stop, slip or a wrong number of pulses, and a belt that leaves the beam.

The speed of the drive alone never says what the tonnes are: a sensor on a pulley that the belt turns slows down with a belt
that slips, and is right. Tonnes are booked only where the turns of the belt tell its true speed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from checks.finding import UNKNOWN, Alternative, Finding
from checks.recentness import last_rows
from checks.result import CheckResult, Link, Verdict
from checks.speed import FAULT, STILL, driven_speed, settled
from checks.tail import Tail
from checks.telling import clock, since_words, told, upper
from checks.tonnes import Misstated, of_rows, since
from checks.window import Window

TWICE = 1.5
"""A speed this many times the drive's counts pulses twice."""
STEP_OF_DRIVE = "a step of the drive: slip keeps its ratio, a fixed speed does not move"
HAND = "pulses per metre in the gauge, and a hand tachometer"
EARTH = "screen and earth of the sensor; which edges are counted"
BY_PLACE: Mapping[str, str] = {
    "tail": "The sensor sits at the tail: if the belt slips on its drive, the speed tag and the tonnes are right; if its own pulley is caked or worn, or its pulses are set wrongly, they are not.",
    "return": "The sensor sits on the return belt: if the belt slips on its drive, the speed tag and the tonnes are right; if its own wheel is caked or worn, or its pulses are set wrongly, they are not.",
    "drive": "The sensor sits at the drive, where slip is not seen: its pulley, its pulses or the drive's own number are wrong.",
    "unknown": "By itself this says nothing of the tonnes: where the sensor sits decides, and the site file does not say.",
}  # fmt: skip


def findings(window: Window, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """At most one finding of the speed and one of a wandering belt."""
    seen = {result.check: result for result in results if result.check in ("speed", "turns", "wander")}
    speed, turns, wander = (seen.get(name) for name in ("speed", "turns", "wander"))
    if speed is not None and speed.verdict is Verdict.FAULT:
        facts = speed.facts
        if facts.get("held_flow") == 1.0:
            yield _held(window, speed)
        elif facts.get("fixed") == 1.0:
            yield _fixed(window, speed)
        elif facts.get("bursts") == 1.0 or (facts.get("ratio", 1.0) > TWICE and "lost" not in facts and "held" not in facts):
            yield _pulses(window, speed)
        elif "ratio" in facts:
            yield _differs(window, speed, turns)
    elif turns is not None and turns.verdict is Verdict.FAULT:
        yield _by_turns(window, turns)
    if wander is not None and wander.verdict is Verdict.FAULT:
        yield _wanders(window, wander)


def _held(window: Window, result: CheckResult) -> Finding:
    by_plc = result.facts.get("held_by_plc") == 1.0
    tail = Tail(window)
    role = "plc_flow" if by_plc else "flow"
    still = tail.still(role)
    part = since(window.blocks, still.begin)
    each = part.plc_own_t if by_plc or "plc_flow" in window.loop.tags else part.own_t
    tonnes = float(each.sum())
    value = float(tail.last(role, 1)[-1])
    spread = 0.02 * abs(tonnes) + 2.0 * value / 360.0
    known = result.facts.get("speed_known") == 1.0
    words = f"The belt stands and the {'PLC' if by_plc else 'gauge'} has held {value:.1f} t/h {since_words(still)}: tonnes are booked that never move."
    return told(
        window, Link.DRIVE, "hold-on-stop", begin=still.begin, interval=still.interval, sentence=words, evidence=result.evidence,
        misstated=Misstated(tonnes=tonnes, uncertainty=spread, rate_t_h=value, part=of_rows(part.start_s, each, spread)),
        alternatives=() if known or by_plc else (
            Alternative(cause="speed-held", odds=1.0, separated_by="a tag for the belt speed: not zero when the speed is held"),
        ),
    )  # fmt: skip


def _fixed(window: Window, result: CheckResult) -> Finding:
    begin = int(result.facts["since_s"])
    return told(
        window, Link.DRIVE, "fixed-speed", begin=begin, interval=(int(result.facts["known_s"]), begin),
        evidence=result.evidence,
        sentence=f"Since {clock(begin)} {result.reason}: the flow is wrong by as much as the belt is slower or faster than that.",
    )  # fmt: skip


def _pulses(window: Window, result: CheckResult) -> Finding:
    begin, interval = _onset(window, result)
    return told(
        window, Link.DRIVE, "tach-extra-pulses", begin=begin, interval=interval, evidence=result.evidence,
        sentence=f"{upper(result.reason)}, since {clock(begin)}. No belt runs faster than its drive: pulses are counted that are none.",
    )  # fmt: skip


def _differs(window: Window, speed: CheckResult, turns: CheckResult | None) -> Finding:
    """The speed against the drive, with what the turns of the belt say of the tonnes."""
    begin, interval = _onset(window, speed)
    ratio = speed.facts["ratio"]
    alternatives: tuple[Alternative, ...] = ()
    gate: tuple[str, ...] = ()
    misstated: Misstated | None = None
    cause = "belt-slip" if ratio < 1.0 else UNKNOWN
    if turns is not None and turns.verdict in (Verdict.OK, Verdict.FAULT):
        misstated = _booked(window, turns, begin, interval) if turns.verdict is Verdict.FAULT else None
        words = f"The turns of the belt give {turns.value('expected') or 0.0:.3f} m/s: "
        words += "the speed tag and the tonnes are right." if misstated is None else "the tonnes are wrong with the speed tag."
        if misstated is None and ratio > 1.0:
            words += " The number of the drive is wrong."
    else:
        words = BY_PLACE[window.loop.gauge.speed_sensor_at]
        gate = ("need an hour of empty belt in one go, to take its speed from its turns",) if _can_turn(window) else ()
    right = turns is not None and turns.verdict is Verdict.OK
    fixed = window.loop.drive.variable and not right and not _followed(window, begin)
    if ratio > 1.0 or fixed:
        cause = UNKNOWN
        alternatives += (Alternative(cause="belt-slip", odds=1.0, separated_by=STEP_OF_DRIVE if fixed else HAND),)
    if ratio > 1.0:
        alternatives += (Alternative(cause="tach-extra-pulses", odds=1.0, separated_by=EARTH),)
    if fixed:
        gate = (*gate, "need one step of the drive by 5 % or more to tell slip from a fixed speed")
        alternatives += (Alternative(cause="fixed-speed", odds=1.0, separated_by=STEP_OF_DRIVE),)
    return told(
        window, Link.DRIVE, cause, title="" if cause != UNKNOWN else "belt speed differs from the drive", begin=begin,
        interval=interval, sentence=f"{upper(speed.reason)}, since {clock(begin)}. {words}", evidence=speed.evidence, gate=gate,
        alternatives=alternatives, misstated=misstated,
    )  # fmt: skip


def _by_turns(window: Window, turns: CheckResult) -> Finding:
    """The drive agrees or gives no speed; the belt itself runs at another."""
    begin = int(window.blocks.start_s[0]) if len(window.blocks) else window.end_s
    begin = max(begin, window.end_s - 7200)
    deviation = turns.value("deviation") or 0.0
    high = deviation > 0.0
    cause = "belt-slip" if high or window.loop.gauge.speed_sensor_at != "drive" else UNKNOWN
    words = f"{upper(turns.reason)}: the tonnes are {abs(deviation):.1f} % too {'high' if high else 'low'}. It was so in the last two hours; since when, the turns do not say."
    return told(
        window, Link.DRIVE, cause, title="" if cause != UNKNOWN else "belt speed differs from its turns", begin=begin,
        interval=(int(window.blocks.start_s[0]), begin), sentence=words, evidence=turns.evidence,
        misstated=_booked(window, turns, begin, (begin, begin)),
    )  # fmt: skip


def _booked(window: Window, turns: CheckResult, begin: int, interval: tuple[int, int]) -> Misstated:
    """Tonnes that the speed tag booked beyond those of the true speed: own (1 - 1/ratio)."""
    ratio, error = turns.facts["ratio"], turns.facts["ratio_error"]
    part = since(window.blocks, begin)
    own = float(part.own_t.sum())
    hours = float(part.measured_s.sum()) / 3600.0
    excess = own * (1.0 - 1.0 / ratio)
    rate = excess / hours if hours > 0.0 else 0.0
    late = abs(rate) * (interval[1] - interval[0]) / 3600.0 / 4.0
    spread = 2.0 * float(np.hypot(own * error / ratio**2, late))
    each = part.own_t * (1.0 - 1.0 / ratio)
    return Misstated(tonnes=excess, uncertainty=spread, rate_t_h=rate, part=of_rows(part.start_s, each, spread))


def _wanders(window: Window, result: CheckResult) -> Finding:
    begin = max(window.end_s - 7200, int(window.blocks.start_s[0]))
    swing = result.facts["swing_percent"]
    mean = swing / (1.0 + swing / 100.0)
    return told(
        window, Link.LOAD, "belt-wander", begin=begin, interval=(int(window.blocks.start_s[0]), window.end_s),
        evidence=result.evidence,
        sentence=f"In the last two hours {result.reason}, far more than its thickness makes: belt or load leaves the beam. If nothing is lost at the best place, the flow is {mean:.0f} % low in the mean.",
    )  # fmt: skip


def _onset(window: Window, result: CheckResult) -> tuple[int, tuple[int, int]]:
    """First block of the speed's present difference from the drive, and the last one that agreed before it."""
    rows = window.blocks
    driven = driven_speed(window, rows)
    unknown = (window.end_s - 60, (window.end_s - 120, window.end_s))
    if driven is None or not len(rows):
        return unknown
    with np.errstate(invalid="ignore", divide="ignore"):
        off = rows.of("mean", "speed") / driven - 1.0
    good = np.flatnonzero(settled(rows) & np.isfinite(off) & (driven > 0.05))
    if len(good) == 0:
        return unknown
    now = result.facts.get("ratio", 1.0) - 1.0
    agrees = np.flatnonzero(off[good] * np.sign(now) < max(0.5 * abs(now), 0.005))
    agrees = agrees[agrees < len(good) - 1]
    first = int(agrees[-1]) + 1 if len(agrees) else 0
    begin = int(rows.start_s[good[first]])
    return begin, (int(rows.start_s[good[max(first - 1, 0)]]), begin)


def _followed(window: Window, begin: int) -> bool:
    """Whether the speed tag moved with the drive since the onset, as a fixed one does not."""
    rows = since(last_rows(window, 7200), begin)
    shown = rows.of("mean", "speed")[settled(rows)]
    shown = shown[np.isfinite(shown)]
    return bool(len(shown) > 1 and np.ptp(shown) > max(STILL, 0.01 * FAULT) * float(np.mean(shown)))


def _can_turn(window: Window) -> bool:
    gauge = window.loop.gauge
    return gauge.belt_length is not None and not gauge.counts_filtered and "count_rate" in window.loop.tags
