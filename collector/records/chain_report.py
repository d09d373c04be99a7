"""The chain report: what a loop did in a shift, a day or a month, link by link; and the note that restates a report."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field, model_validator

from checks.result import Link, Verdict
from collector.records.content import Head, Maybe, Name, Number, Part, Span, Text


class LinkLine(Part):
    """A link at the end of the period, and the worst that was known of it in the period.

    `shown`, `expected`, `deviation` in `unit`; the others in % of span, `uncertainty_span` expanded (k = 2).
    """

    link: Link
    label: str
    unit: str
    shown: Maybe
    expected: Maybe
    deviation: Maybe
    deviation_span: Maybe
    uncertainty_span: Maybe
    limit_span: Maybe
    verdict: Verdict
    worst: Verdict
    reason: Text


class FindingLine(Part):
    """A finding that stood in the period. Tonnes: + = booked too much; uncertainty k = 2 [t].

    `tonnes` since `begin`; `tonnes_here` the part in the shifts of this period, None where it cannot be split.
    """

    alert: str
    link: Link
    cause: str
    title: Text
    sentence: Text
    verdict: Verdict
    begin: int
    earliest: int
    latest: int
    end: int | None
    raised: Number
    tonnes: Maybe
    tonnes_uncertainty: Maybe
    tonnes_here: Maybe
    tonnes_here_uncertainty: Maybe
    state: str
    acknowledged_by: str
    advice: tuple[Text, ...] = ()


class UptimePart(Part):
    """Uptime of one loop: shares 0 to 1, hours; `hours` by state of required time, `strip` (begin, end, state) for the picture."""

    loop: Name
    availability: Maybe
    true_share: Maybe
    required_h: Number
    not_required_h: Number
    no_data_h: Number
    not_measuring_h: Number
    silent_h: Number
    failures: int
    mtbf: str
    mttr: str
    trend: str
    hours: dict[str, Number]
    causes: tuple[tuple[str, str, int, Number, Maybe], ...]
    """Cause, mode, failures begun, hours, tonnes."""
    corrections: tuple[Text, ...]
    strip: tuple[tuple[int, int, str], ...]


class StandIn(Part):
    """Hours that were not measured, and what stands in for them [t]."""

    begin: int
    end: int
    hours: Number
    method: str
    tonnes: Number


class TonnesPart(Part):
    """Tonnes of the period three ways [t], None where a total is not there.

    `own` is the integral of the gauge flow over the measured time. `best` with its expanded uncertainty (k = 2), stand-ins and
    the way from booked to best (name, tonnes, uncertainty) are there where the period was accounted for; else `note` says why not.
    """

    gauge: Maybe
    plc: Maybe
    own: Maybe
    best: Maybe = None
    uncertainty: Maybe = None
    complete: bool | None = None
    stand_ins: tuple[StandIn, ...] = ()
    by_cause: tuple[tuple[str, Number, Maybe], ...] = ()
    note: Text = ""


class Bar(Part):
    """Tonnes of one hour or day: what the gauge's flow gives, and what the PLC booked."""

    begin: int
    end: int
    own: Maybe
    plc: Maybe


class Coverage(Part):
    """Hours of the period: all, with samples, with a usable gauge flow, with a usable PLC flow, by what the belt did."""

    period_h: Number
    covered_h: Number
    measured_h: Number
    plc_measured_h: Number
    states_h: dict[str, Number]


class SettingLine(Part):
    """A setting in force on both sides; '' where a side has none."""

    name: Name
    gauge: str
    plc: str


class SiteFileLine(Part):
    """A site file that was in force, from `since` [epoch s]."""

    since: Number
    sha256: str


class ChainReport(Head):
    """A chain report. `looked_at` is the end of the last block that was evaluated, None where nothing could be."""

    TITLE: ClassVar[str] = "Chain report"

    kind: Literal["chain report"] = "chain report"
    period: Span
    verdict: Verdict
    looked_at: int | None
    belt: str
    links: tuple[LinkLine, ...]
    findings: tuple[FindingLine, ...]
    findings_left_out: int = Field(default=0, ge=0)
    uptime: UptimePart | None
    tonnes: TonnesPart
    bars: tuple[Bar, ...]
    coverage: Coverage
    settings: tuple[SettingLine, ...]
    site_files: tuple[SiteFileLine, ...]

    @model_validator(mode="after")
    def _is_of_one_loop(self) -> ChainReport:
        if len(self.loops) != 1:
            raise ValueError("a chain report is of one loop")
        return self


class UptimeReport(Head):
    """Uptime of one or more loops over a time."""

    TITLE: ClassVar[str] = "Uptime report"

    kind: Literal["uptime report"] = "uptime report"
    period: Span
    sentence: Text
    uptimes: tuple[UptimePart, ...] = Field(min_length=1)
    definitions: tuple[Text, ...]


class Figure(Part):
    """A number as it was recorded and as it is now."""

    name: Name
    unit: str
    old: Maybe
    new: Maybe


class Restatement(Head):
    """A note that stands beside an older record: which, what changes, why, and who says so. The old one stays as it is."""

    TITLE: ClassVar[str] = "Restatement"

    kind: Literal["restatement"] = "restatement"
    restates: int = Field(ge=1)
    restates_kind: Name
    restates_sha256: str = Field(pattern=r"^[0-9a-f]{64}$")
    restates_made: Number
    period: Span | None
    figures: tuple[Figure, ...] = Field(min_length=1)
    reason: Name
