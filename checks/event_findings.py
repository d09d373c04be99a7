"""Findings of events: a backup that was restored, another controller, a correction that was entered at both ends.

They name the when and the who; what a setting does to a line is told with the line where nothing else explains it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from checks.causes import registry
from checks.events import GROUPS, SETTINGS, Change, between, documented, event_words, net_changes
from checks.finding import Alternative, Finding
from checks.hypotheses import MOST_ODDS
from checks.references import MaterialTest, Span
from checks.result import CheckResult, Evidence, Link, Verdict
from checks.telling import clock, told
from checks.tonnes import Misstated, of_flows, of_rows, since
from checks.window import LedgerEntry, Window
from config.roles import ROLES, Side

AT_ONCE_S = 60
"""Settings that moved within this time moved together: the slowest poll of settings, and a few hands [s]."""
LEAST_GROUPS = 2
SAME_MOMENT_S = 180
"""Distance of a restart and of what it left behind [s]."""
DAY_S = 86400
TOLD_FOR_S = 3600
"""How long a total that jumped is told [s]."""
FROM_ZERO = 120.0
"""A heartbeat below this after its jump was started anew: it is the same controller, or one that was just switched on."""
FACTOR_WITHIN_S = 86400
"""A correction at the other end is entered within this time after the test [s]."""
FACTOR_FITS = 6.0
"""Chi-square (2 degrees of freedom) up to which a line fits a correction entered twice: 95 %."""
LEAST_FACTOR = 0.004
FREE = 0.05
"""Standard deviation of a gain that is none of a correction [parts]; own estimate, no source."""
SIDES = {Side.GAUGE: "gauge", Side.PLC: "PLC"}


def findings(window: Window, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """The findings of events in the order of reasoning; returns at once where no setting differs and nothing restarted."""
    setup = next((result for result in results if result.check == "setup"), None)
    lines = [result for result in results if result.check == "scaling" and result.verdict is Verdict.FAULT]
    if setup is not None and setup.verdict in (Verdict.FAULT, Verdict.SUSPECT):
        yield from _restored(window, setup)
    yield from _switched(window, lines)
    if lines and window.references:
        yield from _twice(window, setup, lines)


def _restored(window: Window, setup: CheckResult) -> Iterator[Finding]:
    """Settings of different kinds that changed in one device at once, unlike the site file and beside no work on it."""
    entries = [entry for entry in window.ledger if entry.kind in SETTINGS]
    changes = [change for change in net_changes(entries) if GROUPS.get(change.role, "mode") != "mode"]
    for side, name in SIDES.items():
        together = _together(window, setup, [change for change in changes if change.side is side])
        if not together:
            continue
        newest = max(change.end_s for change in together)
        begin = min(change.end_s for change in together)
        words = "; ".join(change.words for change in together)
        restart = [
            entry for entry in between(window.ledger, begin - SAME_MOMENT_S, newest) if entry.kind == f"{name.lower()}-restart"
        ]
        yield told(
            window, Link.SETUP, "undocumented-change", begin=begin, interval=(begin - AT_ONCE_S, newest),
            title="several settings changed at once",
            sentence=f"At {clock(begin)} several settings of the {name} changed at once, as when an old backup is restored: {words}. "
            f"No calibration and no maintenance was on.{_also(restart)}",
            evidence=[_evidence(change) for change in together], misstated=of_flows(window.blocks, begin),
        )  # fmt: skip


def _together(window: Window, setup: CheckResult, moved: Sequence[Change]) -> list[Change]:
    """The newest settings of one device that moved as those of a backup do; empty where none did."""
    for last in reversed(moved):
        near = [change for change in moved if last.end_s - AT_ONCE_S <= change.end_s <= last.end_s]
        if _alike_ranges(setup):
            near = [change for change in near if GROUPS[change.role] != "range"]
        kinds = {GROUPS[change.role] for change in near}
        if len(kinds) >= LEAST_GROUPS and any(_undeclared(setup, change) for change in near):
            return [] if documented(window, last.end_s) else near
    return []


def _also(entries: Sequence[LedgerEntry]) -> str:
    words = "; ".join(event_words(entry) for entry in entries[-2:])
    return f" {words[:1].upper()}{words[1:]}." if words else ""


def _alike_ranges(setup: CheckResult) -> bool:
    """Whether both ends are read back and mean the same: a range that was changed at both ends is no leftover of a backup."""
    read = all(f"set_{side}_range_high" in setup.facts for side in ("gauge", "plc"))
    return read and setup.facts.get("high_differs") != 1.0 and setup.facts.get("low_differs") != 1.0


def _undeclared(setup: CheckResult, change: Change) -> bool:
    """Whether the setting is now another than the site file says."""
    side = "gauge" if change.side is Side.GAUGE else "plc"
    end = "high" if change.role.endswith("high") else "low"
    known = {"range": f"{side}_{end}_undeclared", "nuclide": "nuclide_differs"}
    return setup.facts.get(known.get(GROUPS[change.role], f"{change.role}_differs")) == 1.0


def _evidence(change: Change) -> Evidence:
    return Evidence(
        name=f"{change.role}, before {change.old:g}", value=change.new, unit=ROLES[change.role].unit or "1", limit=change.old
    )


def _switched(window: Window, lines: Sequence[CheckResult]) -> Iterator[Finding]:
    """The heartbeat of the PLC jumped, and with it its total or its line: another controller with other data took over."""
    day = between(window.ledger, window.end_s - DAY_S, window.end_s)
    beats = [entry for entry in day if entry.kind == "plc-restart"][-5:]
    for beat in reversed(beats):
        near = between(window.ledger, beat.time_s - SAME_MOMENT_S, beat.time_s + SAME_MOMENT_S)
        totals = [entry for entry in near if entry.kind == "total-reset" and entry.role == "plc_total"]
        stepped = [line for line in lines if _of_plc(line) and _began_near(line, beat.time_s)]
        fresh = totals and totals[-1].time_s > window.end_s - TOLD_FOR_S
        if not fresh and not stepped:
            continue
        restarted = (beat.new or 0.0) < FROM_ZERO
        said = []
        if totals:
            said.append(f"its total from {totals[-1].old or 0.0:.1f} t to {totals[-1].new or 0.0:.1f} t")
        if stepped:
            said.append(f"its flow by {stepped[0].value('deviation') or 0.0:+.2f} % of span")
        jump = f"At {clock(beat.time_s)} the heartbeat of the PLC jumped from {beat.old or 0.0:.0f} to {beat.new or 0.0:.0f}, and {' and '.join(said)}."
        cause = "controller-switch" if not restarted or stepped else "total-discontinuity"
        other = "total-discontinuity" if cause == "controller-switch" else "controller-switch"
        tie = Alternative(cause=other, odds=1.0, separated_by="the log of controller roles: who was in charge before and after")
        yield told(
            window, Link.SCALING_BLOCK if stepped and not totals else Link.TOTALS, cause, begin=beat.time_s,
            interval=(beat.time_s - 1, beat.time_s), evidence=[item for line in stepped for item in line.evidence],
            alternatives=(tie,) if restarted else (),
            misstated=of_flows(window.blocks, beat.time_s) if stepped else None,
            sentence=f"{jump} {'The controller started anew, or another one took over.' if restarted else 'Another controller took over with data of its own.'}",
        )  # fmt: skip
        return


def _of_plc(line: CheckResult) -> bool:
    return line.link in (Link.SCALING_BLOCK, Link.INPUT_CARD)


def _began_near(line: CheckResult, time_s: int) -> bool:
    facts = line.facts
    if "onset_nats" not in facts:
        return False
    return facts["onset_low"] - SAME_MOMENT_S <= time_s <= facts["onset_high"] + SAME_MOMENT_S


def correction_entered(window: Window) -> tuple[float, int] | None:
    """Factor of the last correction in the ledger of the site (new over old) and when it was entered [epoch s]."""
    for entry in reversed(window.references):
        if not isinstance(entry, MaterialTest | Span):
            continue
        if entry.factor_after is not None and entry.factor_before and entry.factor_after != entry.factor_before:
            return entry.factor_after / entry.factor_before, entry.end_s
    return None


def calibrated_before(window: Window, onset_s: float) -> bool:
    """Whether a test, a span run or a calibration ended within a day before a difference began."""
    begin, end = onset_s - FACTOR_WITHIN_S, onset_s + SAME_MOMENT_S
    by_hand = any(isinstance(entry, MaterialTest | Span) and begin <= entry.end_s <= end for entry in window.references)
    return by_hand or any(entry.kind == "calibration" and entry.new == 0.0 for entry in between(window.ledger, begin, end))


def factor_gate(window: Window, result: CheckResult) -> tuple[str, ...]:
    """What is needed to see whether a correction was entered twice; nothing where there was none or its factor is known."""
    onset = result.facts.get("onset")
    if onset is None or "onset_nats" not in result.facts or not _of_plc(result) or correction_entered(window) is not None:
        return ()
    if not calibrated_before(window, onset):
        return ()
    return (
        "need the old and the new factor of the last calibration in the ledger, to see whether it was entered at both ends",
    )


def _twice(window: Window, setup: CheckResult | None, lines: Sequence[CheckResult]) -> Iterator[Finding]:
    """The PLC multiplies by the correction that was already entered in the gauge."""
    entered = correction_entered(window)
    if entered is None or abs(entered[0] - 1.0) < LEAST_FACTOR:
        return
    factor, time_s = entered
    for line in lines:
        onset = line.facts.get("onset")
        if not _of_plc(line) or onset is None or "onset_nats" not in line.facts:
            continue
        if not time_s - SAME_MOMENT_S <= line.facts["onset_high"] <= time_s + FACTOR_WITHIN_S + SAME_MOMENT_S:
            continue
        odds = _odds(window, setup, line.facts, factor)
        if odds is None or odds < 1.0:
            continue
        begin, interval = int(onset), (int(line.facts["onset_low"]), int(line.facts["onset_high"]))
        gain = 1.0 + line.facts["gain"]
        yield told(
            window, line.link, "factor-twice", begin=begin, interval=interval, odds=odds, evidence=line.evidence,
            alternatives=(
                Alternative(cause="upper-range", odds=min(MOST_ODDS, 1.0 / odds), separated_by="read both ranges and both factors; the date of both entries"),
            ),
            misstated=_excess(window, begin, interval, gain, line.facts),
            sentence=f"Since {clock(begin)} the PLC shows {gain:.4f} times the flow of the gauge, and the correction entered at {clock(time_s)} was {factor:.4f}: it stands at both ends.",
        )  # fmt: skip
        return


def _odds(window: Window, setup: CheckResult | None, facts: Mapping[str, float], factor: float) -> float | None:
    """Odds of the correction entered twice against a range that happens to look like it; None where it does not fit."""
    needed = ("offset", "gain", "v_oo", "v_og", "v_gg", "s_oo", "s_og", "s_gg")
    if any(name not in facts for name in needed):
        return None
    covariance = np.array(
        [
            [facts["v_oo"] + facts["s_oo"], facts["v_og"] + facts["s_og"]],
            [facts["v_og"] + facts["s_og"], facts["v_gg"] + facts["s_gg"]],
        ]
    )
    seen = np.array([facts["offset"], facts["gain"]])
    off = seen - np.array([0.0, factor - 1.0])
    chi_square = float(off @ np.linalg.solve(covariance, off))
    error = math.sqrt(covariance[1, 1])
    if chi_square > FACTOR_FITS or abs(factor - 1.0) < 3.0 * error:
        return None
    low = window.loop.gauge.range.low
    slope = np.array([-low, 1.0])
    free = covariance + FREE**2 * np.outer(slope, slope)
    likelihood = 0.5 * (float(seen @ np.linalg.solve(free, seen)) - chi_square)
    likelihood += 0.5 * math.log(float(np.linalg.det(free)) / float(np.linalg.det(covariance)))
    weight = registry()["factor-twice"].weight / registry()["upper-range"].weight
    if setup is not None and _alike_ranges(setup):
        weight *= 1e3
    return min(MOST_ODDS, weight * math.exp(min(likelihood, 50.0)))


def _excess(window: Window, begin: int, interval: tuple[int, int], gain: float, facts: Mapping[str, float]) -> Misstated:
    """Tonnes of the PLC beyond those of the gauge; that the gauge's own are right is for reference lots to say."""
    part = since(window.blocks, begin)
    own, hours = float(part.own_t.sum()), float(part.measured_s.sum()) / 3600.0
    excess = own * (gain - 1.0)
    rate = excess / hours if hours > 0.0 else 0.0
    error = math.sqrt(facts["v_gg"] + facts["s_gg"])
    late = abs(rate) * (interval[1] - interval[0]) / 3600.0 / 4.0
    spread = 2.0 * math.hypot(own * error, late)
    return Misstated(
        tonnes=excess, uncertainty=spread, rate_t_h=rate, part=of_rows(part.start_s, part.own_t * (gain - 1.0), spread)
    )  # fmt: skip
