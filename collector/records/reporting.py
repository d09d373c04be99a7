"""Makes the contents of chain reports, uptime reports and restatements from the history: the same history, the same content."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from checks.accounting.balance import PeriodBalance
from checks.accounting.bridge import Bridge
from checks.accounting.calendar import Period
from checks.engine import LoopEngine
from checks.evaluation import Evaluation
from checks.finding import Finding
from checks.reliability.timeline import LoopState
from checks.result import Link, Verdict, worst
from collector import uptime, uptime_text
from collector.alerts.model import Alert
from collector.records import measured
from collector.records.chain_report import (
    ChainReport,
    FindingLine,
    LinkLine,
    SiteFileLine,
    StandIn,
    TonnesPart,
    UptimePart,
    UptimeReport,
)
from collector.records.content import head_of, span_of, told
from collector.records.settings import settings_of
from collector.records.sources import Sources
from collector.web.words import finite

LOOK_BACK_S = 86400
"""How much of a period, at its end, the links are evaluated over [s]; the horizon of the engine."""
MOST_FINDINGS = 1000
"""Findings that one report lists; the rest is counted."""


def chain_report(sources: Sources, loop: str, period: Period, *, by: str, schedule: str = "") -> ChainReport:
    """The chain report of a loop and a period.

    Raises
    ------
    StoreError
        The history cannot be read, or holds what a record cannot hold.
    """
    site, begin, end = sources.site, period.begin, period.end
    alerts = _alerts(sources, loop, begin, end)
    looked = evaluate(sources, loop, begin, end)
    blocks = measured.blocks_of(sources.store, loop, begin, end)
    account = sources.balances.account(loop, period) if sources.balances is not None else None
    links = _links(looked, alerts)
    findings = [_finding(item, begin, end) for item in alerts]
    try:
        return ChainReport(
            **_head(sources, [loop], by, schedule),
            period=span_of(period),
            verdict=worst([*(line.worst for line in links), *(item.finding.verdict for item in alerts)]),
            looked_at=None if looked is None else looked.time_s,
            belt="" if looked is None else looked.state.value,
            links=links,
            findings=tuple(findings[:MOST_FINDINGS]),
            findings_left_out=max(0, len(findings) - MOST_FINDINGS),
            uptime=uptime_part(uptime.read(sources.store, sources.past, loop, begin, end)),
            tonnes=_tonnes(measured.sums(blocks), account),
            bars=measured.bars(blocks, begin, end, ZoneInfo(site.time_zone)),
            coverage=measured.coverage(blocks, begin, end),
            settings=settings_of(site.loops[loop]),
            site_files=_site_files(sources, begin, end),
        )
    except ValidationError as error:
        raise told(error, "chain report") from error


def uptime_report(sources: Sources, loops: Sequence[str], period: Period, *, by: str, schedule: str = "") -> UptimeReport:
    """The uptime report of some loops over a period."""
    found = [uptime.read(sources.store, sources.past, loop, period.begin, period.end) for loop in loops]
    try:
        return UptimeReport(
            **_head(sources, loops, by, schedule), period=span_of(period), sentence=uptime.sentence(found),
            uptimes=tuple(uptime_part(one) for one in found), definitions=uptime.DEFINITIONS,
        )  # fmt: skip
    except ValidationError as error:
        raise told(error, "uptime report") from error


def evaluate(sources: Sources, loop: str, begin: int, end: int) -> Evaluation | None:
    """The chain at the end of a period, every check asked over its samples (the last 24 h of a longer one); None without any."""
    engine = LoopEngine(sources.site, loop, site_sha256=sources.site_sha256, rollups=False)
    engine.empties.extend([item for item in sources.store.empties(loop) if item.end_s <= end])
    for samples in sources.store.scan(loop, max(begin, end - LOOK_BACK_S), end):
        if len(samples):
            engine.push(samples, evaluate=False)
    return engine.look()


def uptime_part(one: uptime.Uptime) -> UptimePart:
    """Uptime as a record keeps it."""
    return UptimePart(
        loop=one.loop, availability=one.tally.availability, true_share=one.tally.true_share,
        required_h=one.tally.required / 3600.0, not_required_h=one.tally.idle_s / 3600.0,
        no_data_h=one.tally.no_data_s / 3600.0, not_measuring_h=one.not_measuring_s / 3600.0,
        silent_h=one.silent_s / 3600.0, failures=len(one.failures), mtbf=uptime_text.estimate(one.mtbf),
        mttr=uptime_text.estimate(one.mttr), trend=uptime_text.trend(one.trend),
        hours={
            state.value: one.tally.required_s.get(state, 0) / 3600.0
            for state in LoopState
            if state not in (LoopState.NO_DATA, LoopState.NOT_REQUIRED)
        },
        causes=tuple((item.cause, item.mode, item.count, item.hours, finite(item.tonnes)) for item in one.shares),
        corrections=tuple(
            f"{uptime.utc(note.begin)} to {uptime.utc(note.end)} corrected to {note.state.value} by {note.by}: {note.reason}"
            for note in one.annotations
        ),
        strip=tuple((item.begin, item.end, item.state.value) for item in one.intervals),
    )  # fmt: skip


def _head(sources: Sources, loops: Sequence[str], by: str, schedule: str) -> dict[str, Any]:
    site = sources.site
    title = site.loops[loops[0]].title if len(loops) == 1 else ""
    head = head_of(site.site, site.title, site.time_zone, sources.site_sha256, loops, title)
    return {**head, "made": float(round(sources.clock.now())), "by": by, "schedule": schedule}


def _alerts(sources: Sources, loop: str, begin: int, end: int) -> list[Alert]:
    """The alerts of a loop that stood in a period, largest consequence first."""
    found = [item for item in sources.past(begin - uptime.BEFORE_S, float(end), uptime.MOST_ALERTS) if item.loop == loop]
    stood = [item for item in found if item.finding.begin < end and _stood_after(item, begin)]
    return sorted(stood, key=lambda item: (-abs(item.finding.tonnes or 0.0), item.finding.begin, item.id))


def _over(alert: Alert) -> int | None:
    """When the condition behind an alert was gone, None while it stands."""
    if alert.active:
        return None
    end = alert.finding.end if alert.finding.end is not None else alert.returned
    return None if end is None else int(end)


def _stood_after(alert: Alert, begin: int) -> bool:
    over = _over(alert)
    return over is None or over > begin


def _links(looked: Evaluation | None, alerts: Sequence[Alert]) -> tuple[LinkLine, ...]:
    known: dict[Link, list[Verdict]] = {}
    for item in alerts:
        known.setdefault(item.finding.link, []).append(item.finding.verdict)
    lines = [
        LinkLine(
            link=row.link, label=row.label, unit=row.unit, shown=finite(row.shown), expected=finite(row.expected),
            deviation=finite(row.deviation), deviation_span=finite(row.deviation_span),
            uncertainty_span=finite(row.uncertainty_span), limit_span=finite(row.limit_span), verdict=row.verdict,
            worst=worst([row.verdict, *known.get(row.link, ())]), reason=row.reason,
        )
        for row in (looked.chain if looked is not None else ())
    ]  # fmt: skip
    seen = {line.link for line in lines}
    lines += [
        LinkLine(
            link=link, label="finding", unit="", shown=None, expected=None, deviation=None, deviation_span=None,
            uncertainty_span=None, limit_span=None, verdict=Verdict.NOT_EVALUATED, worst=worst(known[link]),
            reason="nothing to evaluate at the end of the period; see the findings",
        )
        for link in Link
        if link in known and link not in seen
    ]  # fmt: skip
    return tuple(lines)


def _finding(alert: Alert, begin: int, end: int) -> FindingLine:
    found: Finding = alert.finding
    here = [part for part in found.by_shift if part.begin >= begin and part.end <= end]
    split = bool(here) and not any(part.begin < begin < part.end or part.begin < end < part.end for part in found.by_shift)
    return FindingLine(
        alert=alert.id, link=found.link, cause=found.cause, title=found.title, sentence=found.sentence, verdict=found.verdict,
        begin=found.begin, earliest=found.begin_interval[0], latest=found.begin_interval[1], end=_over(alert),
        raised=alert.raised, tonnes=finite(found.tonnes), tonnes_uncertainty=finite(found.tonnes_uncertainty),
        tonnes_here=sum(part.tonnes for part in here) if split else None,
        tonnes_here_uncertainty=sum(part.tonnes_uncertainty for part in here) if split else None,
        state=alert.state.value, acknowledged_by=alert.acknowledged_by, advice=found.advice,
    )  # fmt: skip


def _tonnes(
    found: tuple[float | None, float | None, float | None], account: tuple[PeriodBalance, Bridge | None] | None
) -> TonnesPart:
    if account is None:
        gauge, plc, own = found
        note = "The period was not accounted for: hours without a measurement are left out, and no uncertainty is given."
        return TonnesPart(gauge=gauge, plc=plc, own=own, note=note)
    balance, bridge = account
    own, best, wide = (balance.own, balance.best, balance.uncertainty) if balance.known else (None, None, None)
    return TonnesPart(
        gauge=finite(balance.gauge), plc=finite(balance.plc), own=finite(own), best=finite(best),
        uncertainty=finite(wide), complete=balance.complete,
        stand_ins=tuple(
            StandIn(begin=item.begin, end=item.end, hours=item.hours, method=item.method, tonnes=item.tonnes)
            for item in balance.excluded
        ),
        by_cause=() if bridge is None else tuple((step.name, step.tonnes, finite(step.uncertainty)) for step in bridge.by_cause),
        note="" if balance.complete else "Some hours have no stand-in: the best estimate leaves them out.",
    )  # fmt: skip


def _site_files(sources: Sources, begin: int, end: int) -> tuple[SiteFileLine, ...]:
    """The site files in force in a period: the last one before it and those that came in it."""
    every = sorted(sources.versions(), key=lambda one: one.since)
    before = [one for one in every if one.since <= begin][-1:]
    return tuple(
        SiteFileLine(since=one.since, sha256=one.sha256)
        for one in (*before, *(one for one in every if begin < one.since < end))
    )
