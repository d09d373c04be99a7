"""What REST answers about the plan of the day a gauge is put in service, and about the sources of the site."""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import Field

from checks.commissioning.durations import Duration
from checks.commissioning.inventory import SourceLine
from collector.commissioning.plan import Plan, day_words
from collector.web.schemas import Answer, Loop
from collector.web.words import finite
from config.cautions import CAUTIONS

Cautions = Field(description="for whoever goes to the gauge", examples=[list(CAUTIONS)])


class RuleOut(Answer):
    """A published rule or a habit, with its source, and the time it would ask for."""

    rule: str = Field(examples=["whole turns, 3 min (NIST Handbook 44, 2.21, N.3.1.1, from memory)"])
    seconds: float | None = Field(description="[s]", examples=[180.0])


class DurationOut(Answer):
    """How long to count, what it leaves, and why it is not shorter."""

    seconds: float = Field(description="[s]", examples=[379.0])
    counting_s: float = Field(description="what counting alone needs [s]", examples=[24.0])
    turns: int | None = Field(description="whole turns of the belt; null where its length is not declared", examples=[3])
    uncertainty: float | None = Field(description="expanded, k = 2 [t/h]", examples=[0.53])
    because: str = Field(examples=["set by 3 turns of the belt (common practice)"])
    beside: list[RuleOut]


class SpanRunOut(Answer):
    """A span run at a part of full load."""

    load: float = Field(description="part of full load [1]", examples=[0.5])
    flow: float = Field(description="[t/h]", examples=[210.0])
    tonnes: float = Field(description="that pass in the time [t]", examples=[66.3])
    run: DurationOut


class LoadOut(Answer):
    """What a load gives."""

    percent: float = Field(description="% of full load", examples=[50.0])
    flow: float = Field(description="[t/h]", examples=[210.0])
    load: float = Field(description="[kg/m]", examples=[30.7])
    count_rate: float = Field(description="as the detector shows it [1/s]", examples=[4010.0])
    noise: float = Field(description="behind the damping, k = 2 [t/h]", examples=[7.4])


class LoopPointOut(Answer):
    """A point of the loop check."""

    percent: float = Field(description="% of the gauge's range", examples=[50.0])
    flow: float = Field(description="[t/h]", examples=[210.0])
    current: float = Field(description="[mA]", examples=[12.0])
    raw: float = Field(description="counts of the input card", examples=[13824.0])
    shown: float = Field(description="on the screen [t/h]", examples=[210.0])


class DecayOut(Answer):
    """A day of the year ahead."""

    day: str = Field(examples=["2027-04-01"])
    left: float = Field(description="part of the activity of the day of the plan [1]", examples=[0.998])
    count_rate: float = Field(description="of the empty belt as shown [1/s]", examples=[4880.0])
    error: float = Field(description="of every flow where decay is not compensated [t/h]", examples=[2.02])


class PlanOut(Answer):
    """The plan of one loop for one day."""

    loop: Loop
    day: str = Field(examples=["2027-03-01"])
    nuclide: str = Field(examples=["Cs-137"])
    wanted: float = Field(description="uncertainty of zero and background aimed at, k = 2 [t/h]", examples=[2.1])
    wanted_span: float = Field(description="of a span run, k = 2 [%]", examples=[0.25])
    tare: DurationOut
    background: DurationOut
    background_error: float = Field(
        description="full load where zero is set for the background [t/h]; 0: none is declared", examples=[-1.2]
    )
    spans: list[SpanRunOut]
    loads: list[LoadOut]
    points: list[LoopPointOut]
    decay: list[DecayOut]
    noise_limit: float = Field(description="noise at full load at which the source is due, k = 2 [t/h]", examples=[12.6])
    renewal: str | None = Field(description="the day it is due; null: not within 60 years", examples=["2051-08-02"])
    cautions: list[str] = Cautions


class PlanLineOut(Answer):
    """A loop in the list of plans; `lacks` says what its site file does not declare, else empty."""

    loop: Loop
    tare_s: float | None = Field(description="[s]", examples=[379.0])
    span_s: float | None = Field(description="of a span run at half load [s]", examples=[1136.0])
    renewal: str | None = Field(examples=["2051-08-02"])
    lacks: str = Field(examples=[""])


class DueOut(Answer):
    """A reminder; the licence and the radiation safety officer decide."""

    what: str = Field(examples=["leak test"])
    day: str | None = Field(examples=["2028-02-20"])
    days: int | None = Field(description="from the day asked for; negative: overdue", examples=[356])
    overdue: bool = Field(examples=[False])


class SourceOut(Answer):
    """One source as its papers name it."""

    loop: Loop
    nuclide: str = Field(examples=["Cs-137"])
    identity: str = Field(examples=["PT-0712"])
    activity: float = Field(description="on the papers [Bq]", examples=[1.85e9])
    activity_date: str = Field(examples=["2024-02-20"])
    today: float = Field(description="on the day asked for [Bq]", examples=[1.73e9])
    left: float = Field(description="part of the activity on the papers [1]", examples=[0.935])
    dues: list[DueOut]


class SourcesOut(Answer):
    """The inventory of a day; `without` are the loops that declare no source."""

    day: str = Field(examples=["2027-03-01"])
    sources: list[SourceOut]
    without: list[str] = Field(examples=[["TB-08"]])
    cautions: list[str] = Cautions


def plan_out(plan: Plan) -> PlanOut:
    """A plan for programs."""
    full = plan.facts.full
    return PlanOut(
        loop=plan.loop, day=day_words(plan.facts.day_s), nuclide=plan.facts.nuclide, wanted=plan.wanted, wanted_span=plan.wanted_span,
        tare=_duration(plan.tare), background=_duration(plan.background), background_error=plan.background_error,
        spans=[
            SpanRunOut(load=load, flow=load * full, tonnes=load * full * run.seconds / 3600.0, run=_duration(run))
            for load, run in plan.spans
        ],
        loads=[LoadOut(percent=r.percent, flow=r.flow, load=r.load, count_rate=r.count_rate, noise=r.noise) for r in plan.loads],
        points=[LoopPointOut(percent=r.percent, flow=r.flow, current=r.current, raw=r.raw, shown=r.shown) for r in plan.points],
        decay=[DecayOut(day=day_words(r.day_s), left=r.left, count_rate=r.count_rate, error=r.error) for r in plan.decay],
        noise_limit=plan.noise_limit, renewal=None if plan.renewal is None else day_words(plan.renewal), cautions=list(CAUTIONS),
    )  # fmt: skip


def line_out(loop: str, plan: Plan | None, lacks: str) -> PlanLineOut:
    """A loop in the list."""
    if plan is None:
        return PlanLineOut(loop=loop, tare_s=None, span_s=None, renewal=None, lacks=lacks)
    span = next(run for load, run in plan.spans if load == 0.5)
    due = None if plan.renewal is None else day_words(plan.renewal)
    return PlanLineOut(loop=loop, tare_s=plan.tare.seconds, span_s=span.seconds, renewal=due, lacks="")


def sources_out(day: str, lines: Sequence[SourceLine], without: Sequence[str]) -> SourcesOut:
    """An inventory for programs."""
    return SourcesOut(
        day=day, without=list(without), cautions=list(CAUTIONS),
        sources=[
            SourceOut(
                loop=line.loop, nuclide=line.nuclide, identity=line.identity, activity=line.activity,
                activity_date=line.activity_date.isoformat(), today=line.today, left=line.left,
                dues=[
                    DueOut(what=due.what, day=due.day.isoformat() if due.day else None, days=due.days, overdue=due.overdue)
                    for due in line.dues
                ],
            )
            for line in lines
        ],
    )  # fmt: skip


def _duration(found: Duration) -> DurationOut:
    return DurationOut(
        seconds=found.seconds, counting_s=found.counting_s, turns=found.turns, uncertainty=finite(found.uncertainty),
        because=found.because, beside=[RuleOut(rule=rule, seconds=finite(seconds)) for rule, seconds in found.beside],
    )  # fmt: skip
