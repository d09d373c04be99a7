"""An invented outcome for the tests of reports."""

from __future__ import annotations

import math

from checks.evaluation import Totals
from checks.finding import Alternative, Correction, Finding, Implied, Predicted, ShiftTonnes
from checks.result import CheckResult, Evidence, Link, Verdict
from collector.replay.report import LoopOutcome, Outcome

T0 = 1_800_000_000
TOTALS = Totals(gauge_t=812.34, plc_t=830.1, own_t=812.1, best_t=812.2, best_u_t=1.31, not_measured_s=12.0)


def finding(**changed: object) -> Finding:
    """A range that differs between gauge and PLC."""
    known: dict[str, object] = {
        "loop": "TB-07",
        "link": Link.SCALING_BLOCK,
        "cause": "plc-range",
        "title": "ends differ",
        "verdict": Verdict.FAULT,
        "odds": 19.0,
        "alternatives": (Alternative(cause="gauge-range", odds=0.05, separated_by="read the range that the gauge shows"),),
        "begin": T0 + 100,
        "begin_interval": (T0 + 90, T0 + 130),
        "tonnes": 17.9,
        "tonnes_uncertainty": 0.42,
        "rate_error_t_h": math.nan,
        "implied": Implied(range_low=0.0, range_high=500.0),
        "advice": ("compare the range in the scaling block with the one in the gauge", "then correct the scaling block"),
        "cautions": (
            "Isolate and lock out the conveyor before anyone reaches into it, and close and lock the source shutter.",
        ),
        "evidence": (Evidence(name="slope", value=1.19, unit="1", limit=0.005, standard_error=0.001),),
        "correction": Correction(
            side="plc",
            setting="flow at 20 mA",
            unit="t/h",
            acts_as=500.0,
            computed=499.7,
            uncertainty=1.1,
            enter=420.0,
            before=Predicted(slope=1.19, offset_t_h=0.0, rate_error_t_h=41.6),
            after=Predicted(slope=1.0, offset_t_h=0.0, rate_error_t_h=math.nan),
        ),
        "by_shift": tuple(
            ShiftTonnes(shift=shift, begin=T0 + 3600 * n, end=T0 + 3600 * n + 3600, tonnes=8.95, tonnes_uncertainty=0.21)
            for n, shift in enumerate(("06:00", "14:00"))
        ),
        "sentence": "The PLC shows 1.190 times what the current carries, over the range from 40 t/h to 380 t/h.",
    }
    return Finding(**{**known, **changed})  # type: ignore[arg-type]


def check(link: Link, verdict: Verdict, reason: str = "", needs: tuple[str, ...] = ()) -> CheckResult:
    """A check result with one piece of evidence."""
    evidence = (Evidence(name="deviation", value=math.inf, unit="%", limit=0.5),)
    return CheckResult(
        check="scaling", link=link, verdict=verdict, reason=reason, needs=needs, evidence=evidence, used=10, total=12
    )


def outcome(*findings: Finding, checks: tuple[CheckResult, ...] | None = None) -> Outcome:
    """One loop of the terminal over four hours."""
    if checks is None:
        checks = (
            check(Link.COUNTS, Verdict.OK, "the counts explain the flow within 0.3 % of span"),
            check(Link.CURRENT, Verdict.NOT_EVALUATED, "there is no tag loop_current", ("the current measured at the PLC",)),
            check(Link.SCALING_BLOCK, Verdict.FAULT if findings else Verdict.OK, "slope 1.190"),
        )
    loops = (LoopOutcome(loop="TB-07", checks=checks, findings=findings, totals=TOTALS),)
    return Outcome(site="terminal", site_sha256="ab" * 32, begin=T0, end=T0 + 4 * 3600, loops=loops)
