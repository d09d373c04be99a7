"""From the objects of the program to the answers of REST: finite numbers or null, times with a Z."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from checks.evaluation import Evaluation, LinkNumbers
from checks.finding import Correction, Finding, Predicted
from checks.result import CheckResult, Evidence, worst
from collector.history.store import Event, Trend
from collector.live import EndpointStatus
from collector.web import schemas
from collector.web.drawn_roles import meaning_of, roles_of, unit_of
from collector.web.next_step import Step
from collector.web.overview import LoopLine, endpoints_of
from collector.web.tag_rows import TagRow
from collector.web.words import finite, iso, where
from config.model import Loop

QUALITY_WORDS = ("good", "uncertain", "bad")


def time_of(value: float) -> str:
    """A time that must be there."""
    found = iso(value)
    if found is None:
        raise ValueError("a time is missing")
    return found


def evidence(items: Iterable[Evidence]) -> list[schemas.EvidenceOut]:
    """Evidence of a check or a finding."""
    return [
        schemas.EvidenceOut(
            name=item.name,
            value=finite(item.value),
            unit=item.unit,
            limit=finite(item.limit),
            standard_error=finite(item.standard_error),
        )
        for item in items
    ]


def link(row: LinkNumbers) -> schemas.LinkOut:
    """The two numbers of a link."""
    return schemas.LinkOut(
        link=row.link.value,
        label=row.label,
        unit=row.unit,
        shown=finite(row.shown),
        expected=finite(row.expected),
        deviation=finite(row.deviation),
        deviation_span=finite(row.deviation_span),
        uncertainty_span=finite(row.uncertainty_span),
        limit_span=finite(row.limit_span),
        verdict=row.verdict.value,
        reason=row.reason,
    )


def check(result: CheckResult) -> schemas.CheckOut:
    """The answer of a check."""
    return schemas.CheckOut(
        check=result.check,
        link=result.link.value,
        verdict=result.verdict.value,
        reason=result.reason,
        needs=list(result.needs),
        evidence=evidence(result.evidence),
        used=result.used,
        total=result.total,
    )


def finding(item: Finding, cautions: Sequence[str]) -> schemas.FindingOut:
    """A finding; its own cautions, else those given, stand beside its advice."""
    implied = item.implied
    return schemas.FindingOut(
        loop=item.loop,
        link=item.link.value,
        cause=item.cause,
        title=item.title,
        sentence=item.sentence,
        verdict=item.verdict.value,
        odds=finite(item.odds),
        alternatives=[
            schemas.AlternativeOut(cause=other.cause, odds=finite(other.odds), separated_by=other.separated_by)
            for other in item.alternatives
        ],
        begin=time_of(item.begin),
        begin_interval=(time_of(item.begin_interval[0]), time_of(item.begin_interval[1])),
        end=iso(item.end),
        tonnes=finite(item.tonnes),
        tonnes_uncertainty=finite(item.tonnes_uncertainty),
        rate_error_t_h=finite(item.rate_error_t_h),
        implied=None
        if implied is None
        else schemas.ImpliedOut(range_low=implied.range_low, range_high=implied.range_high, unit=implied.unit),
        advice=list(item.advice),
        cautions=list(item.cautions or cautions),
        gate=list(item.gate),
        evidence=evidence(item.evidence),
        correction=None if item.correction is None else correction(item.correction),
        by_shift=[
            schemas.ShiftOut(
                shift=part.shift,
                begin=time_of(part.begin),
                end=time_of(part.end),
                tonnes=finite(part.tonnes),
                tonnes_uncertainty=finite(part.tonnes_uncertainty),
            )
            for part in item.by_shift
        ],
    )


def correction(item: Correction) -> schemas.CorrectionOut:
    """The setting that puts it right."""
    return schemas.CorrectionOut(
        side=item.side,
        setting=item.setting,
        unit=item.unit,
        present=finite(item.present),
        acts_as=finite(item.acts_as),
        computed=finite(item.computed),
        uncertainty=finite(item.uncertainty),
        enter=finite(item.enter),
        before=predicted(item.before),
        after=None if item.after is None else predicted(item.after),
        otherwise=item.otherwise,
    )


def predicted(item: Predicted) -> schemas.PredictedOut:
    """A line and its error."""
    return schemas.PredictedOut(
        slope=finite(item.slope), offset_t_h=finite(item.offset_t_h), rate_error_t_h=finite(item.rate_error_t_h)
    )


def evaluation(item: Evaluation, line: LoopLine, cautions: Sequence[str]) -> schemas.EvaluationOut:
    """The latest evaluation of a loop."""
    totals = item.totals
    return schemas.EvaluationOut(
        loop=item.loop,
        time=time_of(item.time_s),
        age_s=line.age_s or 0.0,
        stale=line.stale,
        state=item.state.value,
        suppressed=item.suppressed,
        verdict=item.verdict.value,
        chain=[link(row) for row in item.chain],
        checks=[check(result) for result in item.results],
        findings=[finding(found, cautions) for found in item.findings],
        totals=schemas.TotalsOut(
            gauge_t=finite(totals.gauge_t),
            plc_t=finite(totals.plc_t),
            own_t=finite(totals.own_t),
            best_t=finite(totals.best_t),
            best_u_t=finite(totals.best_u_t),
            not_measured_s=finite(totals.not_measured_s),
        ),
        site_sha256=item.site_sha256,
    )


def loop(line: LoopLine, no_alert_since: float | None) -> schemas.LoopOut:
    """A loop in one line."""
    found, lead, status = line.evaluation, line.lead, line.status
    return schemas.LoopOut(
        loop=line.loop,
        title=line.title,
        verdict=worst([found.verdict, *(item.verdict for item in line.findings)]).value if found else "not_evaluated",
        words=line.words,
        stale=line.stale,
        time=iso(found.time_s) if found else None,
        state=found.state.value if found else "unknown",
        suppressed=found.suppressed if found else "",
        ne_107=status.value if status else "",
        findings=len(line.findings),
        lead=lead.title if lead else "",
        since=iso(lead.begin) if lead else None,
        tonnes=finite(lead.tonnes) if lead else None,
        tonnes_uncertainty=finite(lead.tonnes_uncertainty) if lead else None,
        rate_error_t_h=finite(lead.rate_error_t_h) if lead else None,
        no_alert_since=iso(no_alert_since),
        links_not_evaluated=line.unevaluated,
    )


def trend(item: Trend, begin: int, end: int) -> schemas.TrendOut:
    """A role over time."""
    return schemas.TrendOut(
        loop=item.loop,
        role=item.role,
        unit=item.unit,
        step_s=item.step_s,
        begin=time_of(begin),
        end=time_of(end),
        time=[time_of(value) for value in item.time_s.tolist()],
        minimum=[finite(value) for value in item.minimum.tolist()],
        mean=[finite(value) for value in item.mean.tolist()],
        maximum=[finite(value) for value in item.maximum.tolist()],
    )


def tag(row: TagRow) -> schemas.TagOut:
    """A tag as it was last read."""
    reading = row.reading
    return schemas.TagOut(
        loop=row.loop,
        role=row.role,
        meaning=row.meaning,
        unit=row.unit,
        value=finite(reading.value) if reading else None,
        quality=QUALITY_WORDS[reading.quality] if reading else "never read",
        reason=reading.reason if reading else "",
        age_s=row.age_s,
        receive_time=iso(reading.receive_time) if reading else None,
        source_time=iso(reading.source_time) if reading else None,
        raw=[finite(value) for value in reading.raw] if reading else [],
        stale=row.stale,
        where=where(row.tag),
    )


def step(item: Step, cautions: Sequence[str]) -> schemas.NextOut:
    """The one thing to do first."""
    walks = item.finding is not None and bool(item.finding.advice)
    return schemas.NextOut(headline=item.headline, action=item.action, loop=item.loop, cautions=list(cautions) if walks else [])


def declared(loop_id: str, plant: Loop) -> schemas.DeclaredOut:
    """What the site file declares of a loop."""
    return schemas.DeclaredOut(
        loop=loop_id,
        title=plant.title,
        nuclide=plant.gauge.nuclide,
        reference_date=plant.gauge.reference_date.isoformat() if plant.gauge.reference_date else None,
        gauge_range_low=plant.gauge.range.low,
        gauge_range_high=plant.gauge.range.high,
        plc_range_low=plant.plc.range.low,
        plc_range_high=plant.plc.range.high,
        endpoints=sorted(endpoints_of(plant)),
        roles=[schemas.DrawnOut(role=role, meaning=meaning_of(role), unit=unit_of(role)) for role in roles_of(plant)],
    )


def endpoint(item: EndpointStatus) -> schemas.EndpointOut:
    """The connection to one endpoint."""
    return schemas.EndpointOut(
        name=item.name,
        protocol=item.protocol,
        state=item.state.value,
        reason=item.reason,
        since=iso(item.since) if item.since else None,
        last_good=iso(item.last_good),
        rtt_s=finite(item.rtt_s),
        polls=item.polls,
        timeouts=item.timeouts,
        bad_frames=item.bad_frames,
        exceptions=item.exceptions,
        reconnects=item.reconnects,
        skipped_slots=item.skipped_slots,
        lateness_s=finite(item.lateness_s),
        clock_skew_s=finite(item.clock_skew_s),
        certificate_expires=iso(item.certificate_expires),
    )


def event(item: Event) -> schemas.EventOut:
    """One line of the event ledger."""
    return schemas.EventOut(time=time_of(item.time), loop=item.loop, kind=item.kind, text=item.text, old=item.old, new=item.new)
