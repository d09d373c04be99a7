"""The outcome of a window as one JSON object, the same for a replay and for the service."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from importlib.resources import files
from typing import Any

from checks.evaluation import Totals
from checks.finding import Correction, Finding, Predicted
from checks.result import CheckResult, Evidence, Link, Verdict, worst

SCHEMA = 1
Json = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopOutcome:
    """What is said of one loop over a window: the last answer of each check, every finding, the totals (None: no block)."""

    loop: str
    checks: tuple[CheckResult, ...]
    findings: tuple[Finding, ...]
    totals: Totals | None

    def links(self) -> dict[Link, tuple[CheckResult, ...]]:
        """The check results by link, in the order of the chain; links that no check speaks of are not there."""
        grouped = {link: tuple(item for item in self.checks if item.link == link) for link in Link}
        return {link: items for link, items in grouped.items() if items}

    @property
    def verdict(self) -> Verdict:
        """The worst of the checks and findings."""
        return worst([item.verdict for item in self.checks] + [item.verdict for item in self.findings])


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What is said of a site over a window from `begin` to `end` (exclusive) [epoch s]."""

    site: str
    site_sha256: str
    begin: int
    end: int
    loops: tuple[LoopOutcome, ...]

    def links(self) -> list[Verdict]:
        """The verdict of every link of every loop."""
        return [worst(item.verdict for item in items) for loop in self.loops for items in loop.links().values()]

    def has_findings(self) -> bool:
        """Whether anything is wrong."""
        return any(loop.findings for loop in self.loops)

    def evaluated_anything(self) -> bool:
        """Whether at least one link was evaluated."""
        return any(verdict is not Verdict.NOT_EVALUATED for verdict in self.links())


def by_consequence(findings: Iterable[Finding]) -> list[Finding]:
    """Findings, the most tonnes first, then those without tonnes: faults before doubts, the longest standing first."""
    return sorted(
        findings,
        key=lambda finding: (
            -abs(finding.tonnes) if finding.tonnes is not None and math.isfinite(finding.tonnes) else 1.0,
            finding.verdict is not Verdict.FAULT,
            finding.begin,
            finding.link,
            finding.cause,
        ),
    )


def report(outcome: Outcome) -> Json:
    """The object of the replay contract; every number that is not finite is null."""
    return {
        "schema": SCHEMA,
        "tallywire": version("tallywire"),
        "site": outcome.site,
        "site_sha256": outcome.site_sha256,
        "from": utc(outcome.begin),
        "to": utc(outcome.end),
        "loops": [_loop(loop) for loop in outcome.loops],
    }


def to_bytes(outcome: Outcome) -> bytes:
    """The report as UTF-8 text; the same outcome gives the same bytes."""
    return (json.dumps(report(outcome), indent=2, ensure_ascii=False, allow_nan=False) + "\n").encode()


def schema() -> Json:
    """The JSON Schema (2020-12) that every report keeps to."""
    loaded: Json = json.loads(files("collector.replay").joinpath("report.schema.json").read_text(encoding="utf-8"))
    return loaded


def utc(time: float) -> str:
    """Epoch seconds as ISO 8601 with Z."""
    return datetime.fromtimestamp(math.floor(time), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _loop(loop: LoopOutcome) -> Json:
    return {
        "loop": loop.loop,
        "verdict": loop.verdict.value,
        "checks": [_check(item) for item in loop.checks],
        "findings": [_finding(item) for item in by_consequence(loop.findings)],
        "totals": _totals(loop.totals),
    }


def _check(item: CheckResult) -> Json:
    return {
        "check": item.check,
        "link": item.link.value,
        "verdict": item.verdict.value,
        "reason": item.reason,
        "needs": list(item.needs),
        "evidence": _evidence(item.evidence),
        "used": item.used,
        "total": item.total,
    }


def _finding(item: Finding) -> Json:
    implied = item.implied
    return {
        "cause": item.cause,
        "link": item.link.value,
        "title": item.title,
        "verdict": item.verdict.value,
        "odds": number(item.odds),
        "alternatives": [
            {"cause": other.cause, "odds": number(other.odds), "separated_by": other.separated_by}
            for other in item.alternatives
        ],
        "begin": utc(item.begin),
        "begin_interval": [utc(time) for time in item.begin_interval],
        "end": None if item.end is None else utc(item.end),
        "tonnes": number(item.tonnes),
        "tonnes_uncertainty": number(item.tonnes_uncertainty),
        "rate_error_t_h": number(item.rate_error_t_h),
        "implied": None
        if implied is None
        else {"range_low": number(implied.range_low), "range_high": number(implied.range_high), "unit": implied.unit},
        "advice": list(item.advice),
        "cautions": list(item.cautions),
        "gate": list(item.gate),
        "sentence": item.sentence,
        "evidence": _evidence(item.evidence),
        "correction": _correction(item.correction),
        "by_shift": [
            {
                "shift": part.shift,
                "begin": utc(part.begin),
                "end": utc(part.end),
                "tonnes": number(part.tonnes),
                "tonnes_uncertainty": number(part.tonnes_uncertainty),
            }
            for part in item.by_shift
        ],
    }


def _correction(item: Correction | None) -> Json | None:
    if item is None:
        return None
    return {
        "side": item.side,
        "setting": item.setting,
        "unit": item.unit,
        "present": number(item.present),
        "acts_as": number(item.acts_as),
        "computed": number(item.computed),
        "uncertainty": number(item.uncertainty),
        "enter": number(item.enter),
        "before": _predicted(item.before),
        "after": None if item.after is None else _predicted(item.after),
        "otherwise": item.otherwise,
    }


def _predicted(item: Predicted) -> Json:
    return {
        "slope": number(item.slope),
        "offset_t_h": number(item.offset_t_h),
        "rate_error_t_h": number(item.rate_error_t_h),
    }


def _evidence(items: Sequence[Evidence]) -> list[Json]:
    return [
        {
            "name": item.name,
            "value": number(item.value),
            "unit": item.unit,
            "limit": number(item.limit),
            "standard_error": number(item.standard_error),
        }
        for item in items
    ]


def _totals(totals: Totals | None) -> Json:
    names = ("gauge_t", "plc_t", "own_t", "best_t", "best_u_t", "not_measured_s")
    return {name: None if totals is None else number(getattr(totals, name)) for name in names}


def number(value: float | None) -> float | None:
    """A number for JSON: None where there is none or none that is finite."""
    return None if value is None or not math.isfinite(value) else float(value)
