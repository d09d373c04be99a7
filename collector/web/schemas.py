"""What REST answers, with the names of the replay report. Times are ISO 8601 in UTC with a Z; a missing number is null."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

REST_VERSION: Literal[1] = 1

Time = Annotated[str, Field(description="ISO 8601, UTC", examples=["2026-03-02T13:05:00Z"])]
Loop = Annotated[str, Field(examples=["TB-07"])]
Link = Annotated[str, Field(examples=["scaling-block"])]
Unit = Annotated[str, Field(examples=["t/h"])]
VerdictName = Annotated[Literal["ok", "suspect", "fault", "not_evaluated"], Field(examples=["fault"])]
Percent = Annotated[float | None, Field(description="% of span", examples=[-9.9])]


class Answer(BaseModel):
    """Base of every answer."""

    model_config = ConfigDict(frozen=True)


class EvidenceOut(Answer):
    """One number that a verdict rests on."""

    name: str = Field(examples=["slope"])
    value: float | None = Field(examples=[0.84])
    unit: str = Field(examples=["t/h per t/h"])
    limit: float | None = Field(examples=[None])
    standard_error: float | None = Field(examples=[0.0008])


class CheckOut(Answer):
    """The answer of one check for one link."""

    check: str = Field(examples=["scaling"])
    link: Link
    verdict: VerdictName
    reason: str = Field(examples=["PLC flow is 0.840 of gauge flow"])
    needs: list[str] = Field(examples=[[]])
    evidence: list[EvidenceOut]
    used: int = Field(examples=[720])
    total: int = Field(examples=[720])


class LinkOut(Answer):
    """The two numbers of a link."""

    link: Link
    label: str = Field(examples=["PLC flow"])
    unit: Unit
    shown: float | None = Field(examples=[218.4])
    expected: float | None = Field(examples=[260.0])
    deviation: float | None = Field(description="shown - expected, in `unit`", examples=[-41.6])
    deviation_span: Percent
    uncertainty_span: float | None = Field(description="expanded (k = 2), % of span", examples=[0.12])
    limit_span: float | None = Field(description="fault limit, % of span", examples=[0.5])
    verdict: VerdictName
    reason: str = Field(examples=["PLC shows 41.6 t/h less than the gauge"])


class AlternativeOut(Answer):
    """A cause that the evidence does not rule out."""

    cause: str = Field(examples=["ton-unit"])
    odds: float | None = Field(examples=[0.04])
    separated_by: str = Field(examples=["read the unit in the gauge display"])


class ImpliedOut(Answer):
    """The range that the far side behaves as if it had."""

    range_low: float = Field(examples=[0.0])
    range_high: float = Field(examples=[420.0])
    unit: Unit


class PredictedOut(Answer):
    """A line and its error at the mean flow."""

    slope: float | None = Field(examples=[0.84])
    offset_t_h: float | None = Field(examples=[0.0])
    rate_error_t_h: float | None = Field(examples=[-41.6])


class CorrectionOut(Answer):
    """The setting that puts it right, as a technician types it, and what it will do."""

    side: Literal["gauge", "plc", "gauge or plc"] = Field(examples=["gauge"])
    setting: str = Field(examples=["flow at 20 mA"])
    unit: str = Field(examples=["t/h"])
    present: float | None = Field(description="what stands there now, where that is known", examples=[None])
    acts_as: float | None = Field(description="what it acts as now, rounded inside its uncertainty", examples=[500.0])
    computed: float | None = Field(description="unrounded", examples=[499.7])
    uncertainty: float | None = Field(description="of computed, k = 2", examples=[1.1])
    enter: float | None = Field(description="the value to enter", examples=[420.0])
    before: PredictedOut
    after: PredictedOut | None
    otherwise: str = Field(examples=["if 500 t/h is the range that is meant, enter 500 t/h in the PLC instead"])


class ShiftOut(Answer):
    """Tonnes mis-stated in one shift of the site."""

    shift: str = Field(description="local begin", examples=["06:00"])
    begin: Time
    end: Time
    tonnes: float | None = Field(description="+ = booked too much [t]", examples=[-41.0])
    tonnes_uncertainty: float | None = Field(description="k = 2 [t]", examples=[1.2])


class FindingOut(Answer):
    """One thing that is wrong with a loop."""

    loop: Loop
    link: Link
    cause: str = Field(examples=["upper-range"])
    title: str = Field(examples=["ends differ"])
    sentence: str = Field(examples=["The PLC scales to 420 t/h, the gauge sends 500 t/h as 20 mA."])
    verdict: VerdictName
    odds: float | None = Field(description="this cause against all others; null where categorical", examples=[19.0])
    alternatives: list[AlternativeOut]
    begin: Time
    begin_interval: tuple[str, str] = Field(description="95 %", examples=[["2026-03-02T13:04:00Z", "2026-03-02T13:06:00Z"]])
    end: str | None = Field(examples=[None])
    tonnes: float | None = Field(description="booked by the PLC minus best estimate since begin [t]", examples=[-186.0])
    tonnes_uncertainty: float | None = Field(description="k = 2 [t]", examples=[4.0])
    rate_error_t_h: float | None = Field(examples=[-41.6])
    implied: ImpliedOut | None
    advice: list[str] = Field(examples=[["read the upper range in the gauge and in the block, side by side"]])
    cautions: list[str]
    gate: list[str] = Field(description="what is still needed to name the cause", examples=[[]])
    evidence: list[EvidenceOut]
    correction: CorrectionOut | None
    by_shift: list[ShiftOut] = Field(description="tonnes of each shift since begin, oldest first")


class TotalsOut(Answer):
    """Tonnes three ways since the horizon of the engine began."""

    gauge_t: float | None = Field(examples=[3900.2])
    plc_t: float | None = Field(examples=[3714.1])
    own_t: float | None = Field(examples=[3899.8])
    best_t: float | None = Field(examples=[3900.0])
    best_u_t: float | None = Field(description="k = 2 [t]", examples=[9.0])
    not_measured_s: float | None = Field(examples=[0.0])


class EvaluationOut(Answer):
    """All that is known of a loop at a moment."""

    loop: Loop
    time: Time
    age_s: float = Field(examples=[4.2])
    stale: bool = Field(examples=[False])
    state: Literal["loaded", "empty", "stopped", "unknown"] = Field(examples=["loaded"])
    suppressed: str = Field(examples=[""])
    verdict: VerdictName
    chain: list[LinkOut]
    checks: list[CheckOut]
    findings: list[FindingOut]
    totals: TotalsOut
    site_sha256: str


class LoopOut(Answer):
    """A loop in one line. `verdict` is the last one; where `stale` it is old, where `time` is null there is none yet.

    `ne_107` is the letter of the status signal (F, C, S or M), empty where all is good or nothing can be said. `lead`, `since`,
    `tonnes` and `rate_error_t_h` are of the finding with the largest consequence.
    """

    loop: Loop
    title: str = Field(examples=["Ship loader feed"])
    verdict: VerdictName
    words: str = Field(examples=["differs"])
    stale: bool = Field(examples=[False])
    time: str | None = Field(examples=["2026-03-02T13:05:00Z"])
    state: str = Field(examples=["loaded"])
    suppressed: str = Field(examples=[""])
    ne_107: Literal["", "F", "C", "S", "M"] = Field(examples=["S"])
    findings: int = Field(examples=[1])
    lead: str = Field(examples=["upper range differs"])
    since: str | None = Field(examples=["2026-03-02T08:38:24Z"])
    tonnes: float | None = Field(description="booked by the PLC minus best estimate [t]", examples=[-186.0])
    tonnes_uncertainty: float | None = Field(description="k = 2 [t]", examples=[4.0])
    rate_error_t_h: float | None = Field(examples=[-41.6])
    no_alert_since: str | None = Field(description="null while an alert stands", examples=[None])
    links_not_evaluated: int = Field(examples=[2])


class NextOut(Answer):
    """The one thing to do first. `loop` is empty where it belongs to no loop; cautions where it may lead to a gauge."""

    headline: str = Field(examples=["Begin with TB-07: the PLC scales to 420 t/h, the gauge sends 500 t/h as 20 mA."])
    action: str = Field(examples=["read the upper range in the gauge and in the block, side by side"])
    loop: str = Field(examples=["TB-07"])
    cautions: list[str]


class DrawnOut(Answer):
    """A role of a loop that can be asked for over time."""

    role: str = Field(examples=["plc_flow"])
    meaning: str = Field(examples=["mass flow after the PLC scaling block"])
    unit: Unit


class DeclaredOut(Answer):
    """What the site file declares of a loop."""

    loop: Loop
    title: str = Field(examples=["Ship loader feed"])
    nuclide: str = Field(examples=["Cs-137"])
    reference_date: str | None = Field(examples=["2019-05-14"])
    gauge_range_low: float = Field(description="flow at 4 mA [t/h]", examples=[0.0])
    gauge_range_high: float = Field(description="flow at 20 mA [t/h]", examples=[500.0])
    plc_range_low: float = Field(description="[t/h]", examples=[0.0])
    plc_range_high: float = Field(description="[t/h]", examples=[420.0])
    endpoints: list[str] = Field(examples=[["gauge-07", "plc"]])
    roles: list[DrawnOut]


class SiteOut(Answer):
    """The site and the service."""

    rest: Literal[1] = REST_VERSION
    tallywire: str = Field(examples=["0.1.0"])
    site: str = Field(examples=["potash-terminal"])
    title: str = Field(examples=["Potash terminal"])
    time_zone: str = Field(examples=["America/Regina"])
    site_sha256: str
    started: Time
    time: Time
    loops: list[str] = Field(examples=[["TB-07", "TB-08", "TB-09"]])
    problems: dict[str, str] = Field(examples=[{"history": "disk full, verifying in memory"}])
    published: dict[str, str] = Field(
        description="where verdicts are published to the control system, by protocol; empty: nowhere"
    )
    standing: str = Field(examples=["3 loops: 1 differs, 2 agree."])
    next: NextOut


class TrendOut(Answer):
    """A role over time."""

    loop: Loop
    role: str = Field(examples=["flow"])
    unit: Unit
    step_s: int = Field(examples=[10])
    begin: Time
    end: Time
    time: list[str] = Field(description="starts of the buckets", examples=[["2026-03-02T13:05:00Z"]])
    minimum: list[float | None] = Field(examples=[[255.1]])
    mean: list[float | None] = Field(examples=[[260.0]])
    maximum: list[float | None] = Field(examples=[[264.9]])


class TagOut(Answer):
    """A tag as it was last read."""

    loop: Loop
    role: str = Field(examples=["plc_flow"])
    meaning: str = Field(examples=["mass flow after the PLC scaling block"])
    unit: Unit
    value: float | None = Field(examples=[218.4])
    quality: Literal["good", "uncertain", "bad", "never read"] = Field(examples=["good"])
    reason: str = Field(examples=[""])
    age_s: float | None = Field(examples=[0.6])
    receive_time: str | None = Field(examples=["2026-03-02T13:05:00Z"])
    source_time: str | None = Field(examples=[None])
    raw: list[float | None] = Field(examples=[[17242, 26214]])
    stale: bool = Field(description="older than the limit of the loop allows", examples=[False])
    where: str = Field(examples=["gauge-07 holding 10 float32 ABCD"])


class EndpointOut(Answer):
    """The connection to one device or server."""

    name: str = Field(examples=["plc"])
    protocol: str = Field(examples=["modbus"])
    state: Literal["disconnected", "connecting", "up", "degraded", "backoff"] = Field(examples=["up"])
    reason: str = Field(examples=[""])
    since: str | None = Field(examples=["2026-03-02T06:00:00Z"])
    last_good: str | None = Field(examples=["2026-03-02T13:05:00Z"])
    rtt_s: float | None = Field(examples=[0.004])
    polls: int = Field(examples=[25200])
    timeouts: int = Field(examples=[0])
    bad_frames: int = Field(examples=[0])
    exceptions: int = Field(examples=[0])
    reconnects: int = Field(examples=[0])
    skipped_slots: int = Field(examples=[0])
    lateness_s: float | None = Field(examples=[0.001])
    clock_skew_s: float | None = Field(examples=[None])
    certificate_expires: str | None = Field(examples=[None])


class EventOut(Answer):
    """One line of the event ledger."""

    time: Time
    loop: str = Field(examples=["TB-07"])
    kind: str = Field(examples=["config-change"])
    text: str = Field(examples=["site file changed"])
    old: str = Field(examples=[""])
    new: str = Field(examples=[""])


class HealthOut(Answer):
    """The service answers."""

    status: Literal["live", "ready"] = Field(examples=["live"])
    tallywire: str = Field(examples=["0.1.0"])


class ProblemOut(Answer):
    """An error, RFC 9457."""

    type: str = Field(examples=["about:blank"])
    title: str = Field(examples=["Not Found"])
    status: int = Field(examples=[404])
    detail: str = Field(examples=["this site has no loop 'TB-99'"])
    fix: str | None = Field(default=None, examples=["see /api/v1/loops"])
    instance: str = Field(examples=["/api/v1/loops/TB-99"])
