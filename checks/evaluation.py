"""What the engine says of a loop at the end of a block."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from checks.finding import Finding
from checks.result import CheckResult, Link, Verdict


class BeltState(StrEnum):
    """What the belt does, as far as the tags tell."""

    LOADED = "loaded"
    EMPTY = "empty"
    STOPPED = "stopped"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkNumbers:
    """The two numbers of a link over the last minute, each None where the loop cannot show it.

    `shown` is what the tag shows, `expected` what the link before demands, `deviation` shown - expected in `unit`,
    `deviation_span` the same in % of span, `uncertainty_span` expanded (k = 2), `limit_span` the fault limit.
    """

    link: Link
    label: str
    unit: str
    shown: float | None
    expected: float | None
    deviation: float | None
    deviation_span: float | None
    uncertainty_span: float | None
    limit_span: float | None
    verdict: Verdict
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """Tonnes since the engine's horizon began, three ways, None where a total is not there.

    `own` is the integral of the gauge flow; `best` the best estimate with its expanded uncertainty (k = 2);
    `not_measured_s` the seconds without a usable flow.
    """

    gauge_t: float | None
    plc_t: float | None
    own_t: float | None
    best_t: float | None
    best_u_t: float | None
    not_measured_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """All that is known of a loop at the end (exclusive) of a block, `time_s` epoch seconds UTC.

    `suppressed` names the reason why alerts of process-dependent checks are held back by design ("belt stopped",
    "maintenance", "start-up", "calibrating", "product change"), empty where none is. `site_sha256` is the site in force.
    `due` is False where it was made for people to look at only: then nothing follows from it.
    """

    loop: str
    time_s: int
    state: BeltState
    suppressed: str
    results: tuple[CheckResult, ...]
    findings: tuple[Finding, ...]
    chain: tuple[LinkNumbers, ...]
    totals: Totals
    verdict: Verdict
    site_sha256: str
    due: bool = True
