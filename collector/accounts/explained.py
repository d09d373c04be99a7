"""What findings explain of the tonnes of a period, and when the gauge was not to be believed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from checks.accounting.bridge import Step
from checks.accounting.stand_ins import Excluded
from checks.causes import registry
from checks.causes.cause import Signal
from checks.finding import Finding
from checks.reliability.timeline import Annotation, LoopState
from checks.result import Link
from collector.alerts.model import Alert

Passed = Callable[[int, int], tuple[float, float]]
"""Tonnes between two moments [epoch s] by the gauge flow and by the PLC flow [t]."""

AT_GAUGE = frozenset({Link.COUNTS, Link.LOAD})
ON_THE_WAY = frozenset({Link.GAUGE_OUTPUT, Link.CURRENT, Link.INPUT_CARD, Link.SCALING_BLOCK, Link.TOTALS})
OF_THE_WEIGHT = frozenset({"wet-dry-basis"})
"""Causes at the totals that move gauge and PLC alike."""
SHOWS = 0.5
"""Part of the tonnes of a finding that must stand between gauge and PLC before it is taken for one between them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stood:
    """A finding over the time that counts of it, epoch seconds; `whole` is the time its own tonnes are of."""

    finding: Finding
    begin: int
    end: int
    whole: tuple[int, int]


def stood(alerts: Sequence[Alert], loop: str, begin: int, end: int, now: int) -> list[Stood]:
    """The findings of a loop that stood in a time, oldest first. Where one at the same link with the same cause begins before
    another has ended, the older one counts up to there only: its tonnes stand in both."""
    found: list[Stood] = []
    for alert in sorted((item for item in alerts if item.loop == loop), key=lambda item: (item.finding.begin, item.raised)):
        first = min(alert.finding.begin, int(alert.raised))
        over = None if alert.active else alert.finding.end if alert.finding.end is not None else alert.returned
        last = now if over is None else max(int(over), first + 1)
        if found and _same(found, alert.finding, first):
            found = [_cut(item, first) if _alike(item.finding, alert.finding) else item for item in found]
        found.append(Stood(finding=alert.finding, begin=first, end=last, whole=(first, last)))
    return [item for item in found if item.begin < end and item.end > max(begin, item.begin)]


def void(standing: Sequence[Stood], notes: Sequence[Annotation]) -> list[tuple[int, int]]:
    """When the gauge measured nothing that could be believed, epoch seconds: failures at source, detector and load by the
    catalogue, and what people said, the latest holding."""
    out = [(item.begin, item.end) for item in standing if item.finding.link in AT_GAUGE and _failure(item.finding.cause)]
    for note in sorted(notes, key=lambda one: one.made):
        out = _without(out, note.begin, note.end)
        if note.state is LoopState.NOT_MEASURING:
            out.append((note.begin, note.end))
    return sorted(set(out))


def idle(notes: Sequence[Annotation]) -> list[tuple[int, int]]:
    """When people said that nothing was required: nothing passed then. A later word on the same time holds."""
    out: list[tuple[int, int]] = []
    for note in sorted(notes, key=lambda one: one.made):
        out = _without(out, note.begin, note.end)
        if note.state is LoopState.NOT_REQUIRED:
            out.append((note.begin, note.end))
    return sorted(out)


def _without(stretches: Sequence[tuple[int, int]], begin: int, end: int) -> list[tuple[int, int]]:
    kept = [(first, min(last, begin)) for first, last in stretches] + [(max(first, end), last) for first, last in stretches]
    return [(first, last) for first, last in kept if first < last]


def steps(
    standing: Sequence[Stood], begin: int, end: int, passed: Passed, excluded: Sequence[Excluded] = ()
) -> tuple[list[Step], list[Step]]:
    """The tonnes of a period (+ = booked too much) that findings explain: those between gauge and PLC, and those at the gauge
    itself, which both ends book alike. A finding counts the time that the gauge measured; where the PLC total stands in for
    the rest, what lies between gauge and PLC went on, and counts there too."""
    between: list[Step] = []
    alike: list[Step] = []
    for item in standing:
        step = _step(item, begin, end, passed)
        if step is None:
            continue
        if _is_between(item, passed):
            between.append(_gone_on(step, item, begin, end, passed, excluded))
        else:
            alike.append(step)
    return between, alike


def _gone_on(step: Step, item: Stood, begin: int, end: int, passed: Passed, excluded: Sequence[Excluded]) -> Step:
    first, last = max(item.begin, begin), min(item.end, end)
    own = passed(first, last)[0]
    filled = sum(gap.tonnes for gap in excluded if gap.method == "PLC total" and first <= gap.begin and gap.end <= last)
    if not own > 0.0 or not filled > 0.0:
        return step
    more = (own + filled) / own
    wide = None if step.uncertainty is None else more * step.uncertainty
    return Step(name=step.name, tonnes=more * step.tonnes, uncertainty=wide)


def _step(item: Stood, begin: int, end: int, passed: Passed) -> Step | None:
    """The part of a finding's tonnes in a period: by its shifts where they hold all of it, else as tonnes passed."""
    finding, wide = item.finding, item.finding.tonnes_uncertainty
    if finding.tonnes is None:
        return None
    first, last = max(item.begin, begin), min(item.end, end)
    name = finding.title or finding.cause
    if first <= item.whole[0] and last >= item.whole[1]:
        return Step(name=name, tonnes=finding.tonnes, uncertainty=wide)
    inside = [part for part in finding.by_shift if part.begin < last and part.end > first]
    if inside and inside[0].begin <= first and all(first <= part.begin and part.end <= last for part in inside):
        apart = sum(part.tonnes_uncertainty for part in inside)
        return Step(name=name, tonnes=sum(part.tonnes for part in inside), uncertainty=apart)
    every, here = passed(*item.whole)[0], passed(first, last)[0]
    share = here / every if every > 0.0 else (last - first) / (item.whole[1] - item.whole[0])
    return Step(name=name, tonnes=share * finding.tonnes, uncertainty=None if wide is None else share * wide)


def _is_between(item: Stood, passed: Passed) -> bool:
    """Whether a finding lies between gauge and PLC: by its link; where the link does not say, by what stands between them."""
    finding = item.finding
    if finding.link in AT_GAUGE or finding.check == "truth" or finding.cause in OF_THE_WEIGHT:
        return False
    if finding.link in ON_THE_WAY:
        return True
    gauge, plc = passed(*item.whole)
    tonnes = finding.tonnes or 0.0
    return (plc - gauge) * tonnes > SHOWS * tonnes * tonnes


def _failure(cause: str) -> bool:
    known = registry().get(cause)
    return known is not None and known.signal is Signal.FAILURE


def _alike(one: Finding, other: Finding) -> bool:
    return one.link is other.link and one.cause == other.cause


def _same(found: Sequence[Stood], finding: Finding, begin: int) -> bool:
    return any(_alike(item.finding, finding) and item.end > begin for item in found)


def _cut(item: Stood, begin: int) -> Stood:
    return replace(item, end=min(item.end, begin))
