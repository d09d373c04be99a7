"""From check results to findings, in a fixed order of reasoning; what a found cause explains is folded under it.

Mode and force, then quality and time, then belt and shutter, then counts, then the lines of the chain, then the totals.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from checks import (
    card_findings,
    categorical,
    count_findings,
    edge_findings,
    event_findings,
    late_findings,
    line_findings,
    load_findings,
    speed_findings,
    tag_findings,
    together,
    torn_totals,
    total_findings,
    truth_findings,
    wiring_findings,
    zero_findings,
)
from checks.causes.naming import tags_of
from checks.finding import UNKNOWN, Finding
from checks.result import CheckResult, Link, Verdict
from checks.unparted import with_unparted
from checks.window import Window

DOWNSTREAM: dict[Link, frozenset[Link]] = {
    Link.COUNTS: frozenset({Link.LOAD, Link.GAUGE_OUTPUT, Link.CURRENT, Link.INPUT_CARD, Link.SCALING_BLOCK, Link.TOTALS}),
    Link.DRIVE: frozenset({Link.LOAD, Link.TOTALS}),
    Link.CURRENT: frozenset({Link.INPUT_CARD, Link.SCALING_BLOCK, Link.TOTALS}),
    Link.INPUT_CARD: frozenset({Link.CURRENT, Link.SCALING_BLOCK, Link.TOTALS}),
}
"""Links whose deviation a categorical cause at a link explains."""

BLINDS: dict[str, frozenset[Link]] = {
    "detector-temperature": frozenset(),
    "mode-left-on": frozenset({Link.GAUGE_OUTPUT, Link.CURRENT, Link.INPUT_CARD, Link.SCALING_BLOCK}),
    "undocumented-change": frozenset({Link.LOAD, Link.GAUGE_OUTPUT, Link.CURRENT, Link.INPUT_CARD, Link.SCALING_BLOCK}),
    "controller-switch": frozenset({Link.SCALING_BLOCK, Link.TOTALS}),
    "factor-twice": frozenset({Link.LOAD, Link.CURRENT, Link.SCALING_BLOCK}),
    "tach-extra-pulses": frozenset({Link.LOAD, Link.GAUGE_OUTPUT, Link.TOTALS}),
    "forced-value": frozenset({Link.SCALING_BLOCK, Link.TOTALS}),
    "stale-tag": frozenset({Link.SCALING_BLOCK, Link.INPUT_CARD, Link.CURRENT, Link.TOTALS}),
    "clock-shift": frozenset({Link.CURRENT, Link.INPUT_CARD, Link.SCALING_BLOCK, Link.TOTALS}),
    "double-scaling": frozenset({Link.TOTALS}),
    "digital-analogue-differ": frozenset({Link.CURRENT, Link.INPUT_CARD, Link.SCALING_BLOCK}),
    "wrong-variable": frozenset({Link.CURRENT, Link.INPUT_CARD, Link.SCALING_BLOCK}),
    "gateway-zeros": frozenset(set(Link) - {Link.COMMUNICATION}),
}
"""Causes that explain other links than their own link says."""

MISREAD = frozenset({"word-order", "register-offset", "wrong-type"})
"""Tags that are read wrongly: no number of theirs says anything of the chain."""

RANGES = ("gauge_range_low", "gauge_range_high", "plc_range_low", "plc_range_high")
SETTLING_S = 120
"""How long after an honest change of both ranges the lines are left alone [s]."""


Family = Callable[[Window, Sequence[CheckResult]], Iterator[Finding]]

FIRST: tuple[Family, ...] = (
    tag_findings.findings, card_findings.overflow, card_findings.held, wiring_findings.signal, count_findings.noisy,
    categorical.findings, count_findings.findings, speed_findings.findings, event_findings.findings, load_findings.findings,
    wiring_findings.findings, late_findings.findings,
)  # fmt: skip
"""Families that need no odds, in the order of reasoning; what one of their findings explains is not told again."""

BESIDE: tuple[Family, ...] = (count_findings.noisy, count_findings.findings)
"""Families whose findings explain nothing behind them: flow and PLC go with false counts as with true ones."""

LAST: tuple[Family, ...] = (torn_totals.findings, truth_findings.findings, zero_findings.findings)
"""Families that are asked once the lines and totals of the chain are known: the zero, the truth behind an agreeing chain."""


def explained_by(finding: Finding) -> frozenset[Link]:
    """Links whose deviation a finding explains."""
    if finding.cause in MISREAD and finding.link is Link.COMMUNICATION:
        return frozenset(set(Link) - {finding.link})
    return BLINDS.get(finding.cause, DOWNSTREAM.get(finding.link, frozenset()))


def diagnose(window: Window, results: Sequence[CheckResult]) -> tuple[Finding, ...]:
    """The findings of a loop, largest consequence first. Pure: the same window and results give the same findings."""
    found: list[Finding] = []
    explained: set[Link] = set()
    for family in FIRST:
        for finding in family(window, results):
            if finding.link in explained:
                continue
            found.append(finding)
            if family is tag_findings.findings:
                explained |= set(Link) - {finding.link}  # no number of a tag that is read wrongly says anything of the chain
            if family not in BESIDE:
                explained |= explained_by(finding)
        explained |= {finding.link for finding in found}
    lost = any(result.facts.get("lost") == 1.0 for result in results if result.link is Link.COMMUNICATION)
    if not lost and not ranges_settling(window):
        edges = {edge.link: edge for edge in edge_findings.findings(window, results) if edge.link not in explained}
        for finding in line_findings.findings(window, results, frozenset(explained)):
            edge = edges.pop(finding.link, None)
            if edge is None and finding.cause == UNKNOWN and late_findings.agrees_again(window, finding.link):
                continue
            found.append(edge if edge is not None and finding.cause == UNKNOWN else finding)
            explained.add(finding.link)
        found += edges.values()
        if Link.TOTALS not in explained:
            found += total_findings.findings(window, results)
    for family in LAST:
        for finding in family(window, results):
            if finding.link not in explained:
                found.append(finding)
            elif family is zero_findings.findings:
                found = [finding if zero_findings.says_more(finding, other) else other for other in found]
    told = with_unparted(together.folded(found, window, results), tags_of(window.site, window.loop_id))
    return tuple(sorted(told, key=_consequence))


TRACES = frozenset(
    {
        "zero-counts", "shutter-closed", "gateway-zeros", "counts-frozen", "word-order", "register-offset", "wrong-type",
        "open-loop", "burnout-value", "raw-overflow", "double-scaling",
        "digital-analogue-differ",
        "output-frozen", "forced-value", "stale-tag", "tach-lost", "speed-held", "mode-left-on",
    }
)  # fmt: skip
"""Categorical causes that leave numbers behind which mean nothing: rows that later fits and totals must not use."""


def traces_from(findings: Sequence[Finding]) -> int | None:
    """The moment [epoch s] from which rows carry the traces of a categorical cause that stands now; None without one."""
    return min(
        (
            finding.begin_interval[0]
            for finding in findings
            if finding.cause in TRACES and finding.verdict is Verdict.FAULT and finding.link is not Link.TOTALS
        ),
        default=None,
    )


def ranges_settling(window: Window) -> bool:
    """Whether a range that is read back changed so lately that the last minute holds values of both."""
    return any(
        entry.kind == "parameter-change"
        and entry.role in RANGES
        and entry.time_s > window.end_s - SETTLING_S
        and _alike(window)
        for entry in window.ledger[-50:]
    )


def _alike(window: Window) -> bool:
    """Whether both ends are read back and agree."""
    ends = [(window.settings.get(f"gauge_range_{end}"), window.settings.get(f"plc_range_{end}")) for end in ("low", "high")]
    return all(gauge is not None and plc is not None and abs(gauge - plc) < 1e-3 * max(abs(gauge), 1.0) for gauge, plc in ends)


def _consequence(finding: Finding) -> tuple[bool, float, str]:
    rate = abs(finding.rate_error_t_h) if finding.rate_error_t_h is not None else 0.0
    return (finding.verdict is not Verdict.FAULT, -rate, finding.link.value)
