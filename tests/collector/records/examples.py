"""Worked examples of every kind of record, of the invented potash terminal."""

from __future__ import annotations

from typing import Any

from checks.accounting.calendar import Period
from checks.commissioning.calibration_sum import new_factor
from checks.result import Link, Verdict
from collector.records.calibration import CalibrationRecord, CalibrationRun
from collector.records.chain_report import (
    Bar,
    ChainReport,
    Coverage,
    Figure,
    FindingLine,
    LinkLine,
    Restatement,
    SettingLine,
    SiteFileLine,
    StandIn,
    TonnesPart,
    UptimePart,
    UptimeReport,
)
from collector.records.content import Signature, head_of, span_of
from collector.records.loop_check import TARGETS, Adjustment, LoopCheck, Point, Reference, Series, Station, series
from collector.uptime import DEFINITIONS

BEGIN = 1_772_452_800
"""2026-03-02 06:00 in Regina."""
SHIFT = Period(kind="shift", name="2026-03-02 06:00", begin=BEGIN, end=BEGIN + 8 * 3600)
MADE = float(BEGIN + 8 * 3600 + 300)
HEAD: dict[str, Any] = {
    **head_of("potash-terminal", "North Quay potash terminal", "America/Regina", "5d1f" * 16, ["TB-07"], "Reclaim to ship loader"),
    "made": MADE, "by": "R. Ortega",
}  # fmt: skip

STATIONS = (
    Station(name="gauge display", link=None, unit="t/h", low=0.0, high=500.0, uncertainty=0.25, read_by="simulated flow"),
    Station(name="loop current", link=Link.CURRENT, unit="mA", low=4.0, high=20.0, uncertainty=0.008, read_by="milliammeter"),
    Station(name="input card", link=Link.INPUT_CARD, unit="counts", low=0.0, high=27648.0, uncertainty=28.0, read_by="PLC"),
    Station(name="scaling block", link=Link.SCALING_BLOCK, unit="t/h", low=0.0, high=500.0, uncertainty=0.1, read_by="PLC"),
)


def points(plc_high: float, *, hysteresis: float = 0.0) -> list[Point]:
    """Five points up and down; the PLC scales to `plc_high` [t/h] at 20 mA; on the way down the current stays `hysteresis` mA high."""
    out = []
    for way, targets in (("up", TARGETS), ("down", TARGETS[-2::-1])):
        for target in targets:
            current = 4.0 + 0.16 * target + (hysteresis if way == "down" else 0.0)
            raw = round((current - 4.0) / 16.0 * 27648.0)
            out.append(
                Point(
                    target=target,
                    direction="up" if way == "up" else "down",
                    shown=(5.0 * target, round(current, 3), float(raw), round(raw / 27648.0 * plc_high, 1)),
                )
            )
    return out


def loop_check(**changed: Any) -> LoopCheck:
    """Found with a PLC that scales to 420 t/h, set to 500 t/h, left sound."""
    found: Series = series(STATIONS, points(420.0, hysteresis=0.004), begun=BEGIN + 3600.0)
    left = series(
        STATIONS, points(500.0, hysteresis=0.004), begun=BEGIN + 7200.0, note="Belt stopped and locked out all the time."
    )
    fields: dict[str, Any] = {
        **HEAD,
        "method": "Flow simulated in the gauge, five points up and down; current in series at the cabinet; belt locked out.",
        "stations": STATIONS,
        "references": (Reference(name="milliammeter", identity="MA-12", certificate="C-2025-118", due="2026-09-30"),),
        "as_found": found,
        "adjustments": (
            Adjustment(
                at=BEGIN + 5400.0, side="plc", setting="flow at 20 mA", unit="t/h", before=420.0, after=500.0, by="R. Ortega",
                reason="the gauge sends 500 t/h as 20 mA since the range change",
            ),
        ),
        "as_left": left,
        "remarks": "Range plate at the cabinet replaced.",
        "signatures": (
            Signature(what="done by", name="R. Ortega", role="instrument technician", date="2026-03-02"),
            Signature(what="checked by"),
        ),
    }  # fmt: skip
    return LoopCheck(**{**fields, **changed})


def finding(number: int = 1) -> FindingLine:
    begin = BEGIN + 3600 + 37 * number
    return FindingLine(
        alert=f"TB-07-scaling-block-{number}", link=Link.SCALING_BLOCK, cause="upper-range", title="ends differ",
        sentence="The PLC shows 0.840 of the gauge flow at every load, as if 20 mA were 420 t/h there and 500 t/h at the gauge.",
        verdict=Verdict.FAULT, begin=begin, earliest=begin - 60, latest=begin + 60, end=None, raised=float(begin + 90),
        tonnes=-186.2, tonnes_uncertainty=4.1, tonnes_here=-116.2, tonnes_here_uncertainty=3.1, state="unacknowledged",
        acknowledged_by="", advice=("Read the upper range in the gauge and in the scaling block, side by side",),
    )  # fmt: skip


def uptime_part(loop: str = "TB-07") -> UptimePart:
    strip = (
        (BEGIN, BEGIN + 7200, "measuring true"), (BEGIN + 7200, BEGIN + 9000, "not measuring"),
        (BEGIN + 9000, BEGIN + 18000, "degraded"), (BEGIN + 18000, BEGIN + 21600, "not required"),
        (BEGIN + 21600, BEGIN + 25200, "no data"), (BEGIN + 25200, BEGIN + 28800, "unverified"),
    )  # fmt: skip
    return UptimePart(
        loop=loop, availability=0.9, true_share=0.4, required_h=5.0, not_required_h=1.0, no_data_h=1.0, not_measuring_h=0.5,
        silent_h=0.1, failures=1, mtbf="5 h (90 % limits 1.054 to 97.48 h, 1 counted)", mttr="not known: no failure",
        trend="trend: too few failures to tell",
        hours={"measuring true": 2.0, "degraded": 2.5, "not measuring": 0.5, "unverified": 1.0, "maintenance": 0.0},
        causes=(("zero-counts", "no output", 1, 0.5, 4.0),),
        corrections=("2026-03-02T14:00:00Z to 2026-03-02T14:20:00Z corrected to maintenance by R. Ortega: belt test",),
        strip=strip,
    )  # fmt: skip


def chain_report(*, findings: int = 1, **changed: Any) -> ChainReport:
    """A shift in which both ends differed."""
    fault, ok, none = Verdict.FAULT, Verdict.OK, Verdict.NOT_EVALUATED
    rows: list[tuple[Link, str, str, float | None, float | None, float | None, Verdict, str]] = [
        (Link.COUNTS, "detector", "1/s", 2871.0, 2868.0, 0.06, ok, "within counting noise"),
        (Link.LOAD, "counts to flow", "t/h", 260.0, 259.6, 0.08, ok, "the gauge computes what its counts say"),
        (Link.GAUGE_OUTPUT, "flow to gauge output", "mA", 12.32, 12.32, 0.0, ok, "the output follows the flow"),
        (Link.CURRENT, "flow to loop current", "mA", None, 12.32, None, none, "no independent current is measured"),
        (Link.INPUT_CARD, "current to input card", "counts", 14377.0, 14377.0, 0.0, ok, "the card follows the current"),
        (Link.SCALING_BLOCK, "input card to PLC flow", "t/h", 218.4, 260.0, -9.9, fault, "PLC shows 41.6 t/h less than the gauge"),
        (Link.TOTALS, "PLC total", "t", 1893.8, 1894.0, -0.01, ok, "the total follows its flow"),
    ]  # fmt: skip
    links = tuple(
        LinkLine(
            link=link, label=label, unit=unit, shown=shown, expected=expected,
            deviation=None if shown is None or expected is None else shown - expected, deviation_span=span,
            uncertainty_span=0.12, limit_span=0.5, verdict=verdict, worst=verdict, reason=reason,
        )
        for link, label, unit, shown, expected, span, verdict, reason in rows
    )  # fmt: skip
    fields: dict[str, Any] = {
        **HEAD, "period": span_of(SHIFT), "verdict": fault, "looked_at": SHIFT.end, "belt": "loaded", "links": links,
        "findings": tuple(finding(number) for number in range(findings)), "uptime": uptime_part(),
        "tonnes": TonnesPart(
            gauge=2080.0, plc=1893.8, own=2079.9, best=2101.4, uncertainty=10.4, complete=True,
            stand_ins=(StandIn(begin=BEGIN + 7200, end=BEGIN + 9000, hours=0.5, method="mean load of the shift", tonnes=21.5),),
            by_cause=(("upper-range", -186.2, 4.1), ("not explained", -21.4, None)),
        ),
        "bars": tuple(
            Bar(begin=BEGIN + n * 3600, end=BEGIN + (n + 1) * 3600, own=260.0 if n != 6 else None, plc=260.0 if n < 2 else 218.4)
            for n in range(8)
        ),
        "coverage": Coverage(
            period_h=8.0, covered_h=7.0, measured_h=6.5, plc_measured_h=7.0, states_h={"loaded": 6.0, "stopped": 1.0}
        ),
        "settings": (
            SettingLine(name="flow at 20 mA", gauge="500 t/h", plc="420 t/h"), SettingLine(name="nuclide", gauge="Cs-137", plc=""),
        ),
        "site_files": (SiteFileLine(since=float(BEGIN - 90_000), sha256="5d1f" * 16),),
    }  # fmt: skip
    return ChainReport(**{**fields, **changed})


def uptime_report() -> UptimeReport:
    head = {**HEAD, "loops": ("TB-07", "TB-08"), "loop_title": ""}
    return UptimeReport(
        **head, period=span_of(SHIFT), sentence="A flow was there in 90.00 % of 10.0 required hours; 2 failures began.",
        uptimes=(uptime_part(), uptime_part("TB-08")), definitions=DEFINITIONS,
    )  # fmt: skip


def restatement() -> Restatement:
    return Restatement(
        **{**HEAD, "by": "K. Weber"}, restates=1, restates_kind="chain report", restates_sha256="ab" * 32, restates_made=MADE,
        period=span_of(SHIFT), reason="range of the PLC corrected after the fact",
        figures=(
            Figure(name="best estimate", unit="t", old=2101.4, new=2080.2),
            Figure(name="findings", unit="", old=0.0, new=1.0), Figure(name="PLC total", unit="t", old=None, new=1893.8),
        ),
    )  # fmt: skip


def calibration(**changed: Any) -> CalibrationRecord:
    """Three runs of an hour, 250 t each by a truck scale, the window of the second one moved by hand."""
    indicated = (245.0, 246.0, 244.5)
    found = new_factor([250.0] * 3, indicated, [0.002] * 3, 157.0, 0.0005)
    runs = tuple(
        CalibrationRun(
            begin=BEGIN + 7200.0 * at, end=BEGIN + 7200.0 * at + 3900.0, window_begin=BEGIN + 7200.0 * at + 120.0,
            window_end=BEGIN + 7200.0 * at + 3720.0, moved=at == 1, reference=250.0, window_t=tonnes, leading_t=1.2, tailing_t=0.8,
            missing=0.0, u=0.002,
        )
        for at, tonnes in enumerate(indicated)
    )  # fmt: skip
    fields: dict[str, Any] = {
        **HEAD, "edges": "left out", "runs": runs, "scale_u": 0.1, "tare": 300.0, "common": 0.0005, "factor_in_force": 157.0,
        "ratio": found.ratio, "ratio_u": found.ratio_u, "factor": found.factor, "factor_u": found.factor_u,
        "repeatability": found.repeatability, "said": ("Reference over gauge: 1.01971 ± 0.00380 (k = 2).",),
        "notes": ("run 2: its window was moved",), "ledger": "  - {loop: TB-07, mass: 250 t}", "remarks": "truck scale 2",
    }  # fmt: skip
    return CalibrationRecord(**(fields | changed))
