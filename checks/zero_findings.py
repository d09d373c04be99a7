"""Findings of the empty belt: which cause moved the zero, and whether decay is compensated.

A common-mode error: gauge and PLC show it alike, so only the empty belt tells. Its tonnes are the error times the hours that
the belt ran since it began. Causes that the data cannot part come as a set with the measurement that would part them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from checks.blocks import Blocks
from checks.causes import registry
from checks.finding import UNKNOWN, Alternative, Finding
from checks.hypotheses import MOST_ODDS
from checks.result import CheckResult, Link, Verdict
from checks.telling import clock, told
from checks.tonnes import Misstated
from checks.window import Window
from checks.zero import PARTS, SHAPES
from checks.zero_series import kv_of

LINKS = {"counts": Link.COUNTS, "swing": Link.COUNTS, "gauge": Link.LOAD, "creep": Link.LOAD}
"""Beam, belt and detector make the counts; what the gauge takes for empty makes a flow of them."""
NAMED_AT, NAMED_RATIO = 0.5, 3.0
"""A cause is named from this probability on, and where it is so many times likelier than the next."""
LEAST_SHARE = 0.01
OFTEN_S = 1.5 * 86400.0
RECENT_S = 35 * 86400.0


def findings(window: Window, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """At most one: the error of the zero, else a compensation of decay that has not yet moved it far."""
    zero = next((result for result in results if result.check == "zero"), None)
    decay = next((result for result in results if result.check == "decay"), None)
    if zero is not None and zero.verdict is Verdict.FAULT and "part" in zero.facts:
        yield _zero(window, zero, decay)
    elif decay is not None and decay.verdict is Verdict.FAULT:
        yield _decay(window, decay)


def says_more(finding: Finding, other: Finding) -> bool:
    """Whether a finding of the empty belt names what another finding at the same link does not."""
    return finding.link is other.link and finding.cause != UNKNOWN and other.cause in (UNKNOWN, "undocumented-change")


def _ranking(facts: dict[str, float]) -> list[tuple[str, float]]:
    found = [(name[6:], value) for name, value in facts.items() if name.startswith("cause:")]
    return sorted(found, key=lambda item: (-item[1], item[0]))


def _odds(probability: float) -> float:
    return min(probability / max(1.0 - probability, 1e-9), MOST_ODDS)


def _leader(ranking: Sequence[tuple[str, float]]) -> tuple[str, float]:
    """The cause that is named, or `unknown` where two are too close or none is likely."""
    cause, probability = ranking[0]
    second = ranking[1][1] if len(ranking) > 1 else 0.0
    innocent = cause != UNKNOWN and registry()[cause].innocent
    if cause == UNKNOWN or innocent or probability < NAMED_AT or probability < NAMED_RATIO * second:
        return UNKNOWN, dict(ranking).get(UNKNOWN, 0.0)
    return cause, probability


def _alternatives(ranking: Sequence[tuple[str, float]], named: str) -> tuple[Alternative, ...]:
    """What remains, each with the measurement that parts it from the named cause, or from the likeliest other one."""
    listed = [(cause, share) for cause, share in ranking if cause not in (named, UNKNOWN) and share >= LEAST_SHARE]
    out = []
    for cause, share in listed:
        rivals = [named] if named != UNKNOWN else [other for other, _ in listed if other != cause]
        separators = [registry()[cause].separated_from(other) or registry()[other].separated_from(cause) for other in rivals]
        separator = next((text for text in separators if text), registry()[cause].checks[0])
        out.append(Alternative(cause=cause, odds=_odds(share), separated_by=separator))
    return tuple(out)


def _improbable(ranking: Sequence[tuple[str, float]], named: str) -> tuple[str, ...]:
    return tuple(cause for cause, share in ranking if cause not in (named, UNKNOWN) and share < LEAST_SHARE)


def _zero(window: Window, result: CheckResult, decay: CheckResult | None) -> Finding:
    facts = result.facts
    ranking = _ranking(facts)
    cause, probability = _leader(ranking)
    part, shape = PARTS[int(facts["part"])], SHAPES[int(facts["shape"])]
    alternatives = _alternatives(ranking, cause)
    if cause == "decay-off" and decay is not None and decay.facts.get("days", 0.0) * 86400.0 < RECENT_S:
        separator = "whether it steps back within the month: then it is compensated in steps"
        alternatives = (*alternatives, Alternative(cause="decay-in-steps", odds=1.0 / 3.0, separated_by=separator))
    error = facts["error"]
    begin, low, high = (int(facts[name]) for name in ("begin", "begin_low", "begin_high"))
    return told(
        window, LINKS[part], cause, begin=begin, interval=(low, high), evidence=result.evidence,
        title="" if cause != UNKNOWN else "empty belt does not read zero",
        odds=_odds(probability) if cause != UNKNOWN else None, alternatives=alternatives, ruled_out=_improbable(ranking, cause),
        misstated=_misstated(window, facts), gate=_gate(window, facts, cause, alternatives),
        sentence=f"{_opening(part, shape, begin, facts, result)} {_booked(error)}",
    )  # fmt: skip


def _opening(part: str, shape: str, begin: int, facts: dict[str, float], result: CheckResult) -> str:
    error, limit = facts["error"], facts["limit"]
    since = f"Since {clock(begin)}"
    if part == "swing":
        follows = {"temperature": "the temperature of the detector", "daylight": "daylight"}.get(shape, "the time of day")
        return f"{since} the empty belt has followed {follows} by {abs(facts['size']):.1f} t/h a day."
    if part == "creep":
        return f"{since[0].upper()}{since[1:]} {result.reason}: the empty belt reads zero, the loaded one does not."
    reads = f"the empty belt reads {error:+.1f} t/h (limit {limit:.1f} t/h)"
    if shape == "constant":
        side = "the counts differ from the declared tare" if part == "counts" else "the gauge takes another rate for empty"
        return f"{reads[0].upper()}{reads[1:]} since before {clock(begin)}, when the first empty belt was seen: {side}."
    how = {
        "step": "at once",
        "ramp": "slowly",
        "saw": "again and again, falling back in between",
        "passing": "for the time being",
    }
    moved = (
        "the counts of the empty belt moved" if part == "counts" else "the counts stayed and the gauge's idea of empty moved"
    )
    return f"{since} {reads}: {moved} {how.get(shape, 'since')}."


def _booked(error: float) -> str:
    more = "too much" if error > 0.0 else "too little"
    return f"Gauge and PLC show it alike, so {abs(error):.1f} t/h {more} is booked while the belt runs."


def _misstated(window: Window, facts: dict[str, float]) -> Misstated | None:
    tonnes = facts.get("tonnes")
    if tonnes is None:
        return None
    error, se = facts["error"], facts["error_se"]

    def part(rows: Blocks) -> tuple[float, float]:
        """Error times the hours that the belt ran in these blocks."""
        hours = float((rows.state("loaded") + rows.state("empty")).sum()) / 3600.0 if len(rows) else 0.0
        return error * hours, 2.0 * se * hours

    return Misstated(tonnes=tonnes, uncertainty=facts["tonnes_u"], rate_t_h=error, part=part)


def _gate(window: Window, facts: dict[str, float], cause: str, alternatives: Sequence[Alternative]) -> tuple[str, ...]:
    """What would name the cause, or name it surely: time, an event, a tag."""
    names = {cause, *(alternative.cause for alternative in alternatives)} - {UNKNOWN}
    tags, out = window.loop.tags, []
    if "wet-belt" in names and cause == UNKNOWN:
        out.append("the empty belt again when it had time to dry: water goes within a day, a cake stays")
    if {"build-up", "detector-drift"} <= names:
        out.append("two empties around a wash of belt, frame and detector cover: a cake steps back, a loss of gain does not")
    if {"stale-tare", "build-up"} <= names and cause == UNKNOWN:
        out.append("whether anybody worked on belt or scraper at that time, or a wash")
    if "shutter-part-open" in names and "shutter_closed" not in tags:
        out.append("a tag for the shutter (shutter_closed): a part-open shutter follows a shutter operation")
    if names & {"tare-loaded", "tare-standing"} and "empty_belt_rate" not in tags:
        out.append("a tag for the last tare (empty_belt_rate): a tare shows in it to the minute")
    if names & {"background", "neighbour-source"}:
        out.append("60 s of counts with the shutter closed, by licensed staff: that is the background now")
    if names & {"detector-temperature", "light-leak"} and "detector_temperature" not in tags:
        out.append("a tag for the detector temperature: it lags behind the sun by hours, daylight does not")
    if cause == UNKNOWN and not out:
        out.append("what was done at belt, source and gauge at that time")
    return tuple(out)


def _decay(window: Window, result: CheckResult) -> Finding:
    """The compensation is wrong, the zero not far off yet; or the clock that it goes by is wrong."""
    facts = result.facts
    ranking = _ranking(facts) or [("nuclide-or-clock", 0.9), (UNKNOWN, 0.1)]
    cause, probability = _leader(ranking)
    first = window.empties[0].start_s if window.empties else window.end_s
    begin = int(facts.get("begin", float(first)))
    drifted = facts.get("drifted", facts.get("skew_t_h", 0.0))
    months = facts.get("slope", 0.0) * 30.0
    words = f"{result.reason[:1].upper()}{result.reason[1:]}."
    if months:
        words = f"Since {clock(begin)} {result.reason}. Left alone it books {months:+.1f} t/h more each month."
    kv = kv_of(window.loop, 1.0)
    known = bool(np.isfinite(kv)) and "slope" in facts
    hours = sum(stretch.running_s for stretch in window.empties) / 3600.0
    misstated = None
    if known:
        # the drift grows evenly from nothing, so its mean is half of what it is now
        spread = 2.0 * facts["slope_se"] * facts["days"]
        misstated = Misstated(tonnes=0.5 * drifted * hours, uncertainty=0.5 * spread * hours, rate_t_h=drifted)
    return told(
        window, Link.LOAD, cause, begin=begin, interval=(begin, begin), evidence=result.evidence,
        title="" if cause != UNKNOWN else "decay is not compensated as declared",
        odds=_odds(probability) if cause != UNKNOWN else None, alternatives=_alternatives(ranking, cause), ruled_out=_improbable(ranking, cause),
        misstated=misstated, sentence=words,
        gate=("the last tares against the decay of the source",) if cause == UNKNOWN else (),
    )  # fmt: skip
