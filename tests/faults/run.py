"""Runs one case through the code of the product: plant, engine, episodes; and grades what was told against the truth.

The sound stretch before a fault is run once for each draw and scene, and copied for every fault that branches from it.
"""

from __future__ import annotations

import copy
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from checks.causes.naming import mates, tags_of
from checks.engine import LoopEngine
from checks.episodes import ALWAYS, EpisodeTracker
from checks.finding import UNKNOWN, Finding
from checks.lines import chain
from checks.result import Link
from checks.samples import Samples
from deploy.plant.faults import FAULTS, Faulty
from deploy.plant.model import LoopModel
from tests.faults.acts import ACTS
from tests.faults.cases import LOUD, SIZES, Case
from tests.faults.draws import BEGIN, Draw
from tests.faults.grade import (
    MISSING,
    Coverage,
    Outcome,
    grade,
    in_words,
    listed,
    lists_mate,
    onset_held,
    right_links,
    stood,
    tonnes_held,
)
from tests.faults.ledger import WEEKS, is_slow, run_slow
from tests.faults.lots import LOTS, run_lots
from tests.faults.scenes import scene
from tests.faults.static import implied_range

CHUNK_S = 300
LONG_STAND_S = 600
"""A name that has stood for so long is taken for the last word, but on every fourth draw, which runs to its end [s]."""
Floats = NDArray[np.float64]
Change = Callable[[Samples], Samples]
BOOKED = ("plc_flow", "flow", "truth", "plc_total")


@dataclass(frozen=True, slots=True)
class Told:
    """One change of an episode: when [epoch s], what kind, which cause, at which link."""

    time_s: int
    kind: str
    cause: str
    link: Link


@dataclass(slots=True)
class Bench:
    """A plant with the engine and the episodes behind it, and what was told so far."""

    draw: Draw
    faulty: Faulty
    engine: LoopEngine
    tracker: EpisodeTracker
    told: list[Told] = field(default_factory=list)
    seen_s: dict[Link, int] = field(default_factory=dict)
    """When a finding was last seen at each link [epoch s]."""
    booked: dict[str, list[Floats]] = field(default_factory=lambda: {name: [] for name in BOOKED})
    watched_s: int = 0
    worked_s: float = 0.0
    chunk_s: int = CHUNK_S
    """Samples that are made and judged at a time; what is told does not depend on it."""

    def advance(self, seconds: int, change: Change | None = None) -> None:
        """Let seconds pass; `change` acts on the samples as they are read."""
        model = self.faulty.model
        for first in range(0, seconds, self.chunk_s):
            n = min(self.chunk_s, seconds - first)
            begin = model.time_s
            values = model.advance(n)
            for name in BOOKED:
                self.booked[name].append(model.truth["flow"] if name == "truth" else values.get(name, np.full(n, np.nan)))
            samples = Samples(
                loop=self.draw.spec.loop, time_s=np.arange(begin, begin + n, dtype=np.int64), values=values,
                quality={role: np.zeros(n, np.uint8) for role in values}, flags=np.zeros(n, np.uint8),
            )  # fmt: skip
            self._push(samples if change is None else change(samples))

    def advance_until_settled(self, seconds: int, stands_s: int, beside: frozenset[str] = frozenset()) -> None:
        """Let seconds pass, but no more once something is told that is none of `beside`, all of it is named, and nothing changed
        for `stands_s`."""
        end = self.faulty.model.time_s + seconds
        while self.faulty.model.time_s < end:
            now = self.faulty.model.time_s
            causes = {episode.finding.cause for episode in self.tracker.open}
            if causes - beside and UNKNOWN not in causes and now - self.told[-1].time_s >= stands_s:
                return
            self.advance(min(CHUNK_S, end - now))

    def _push(self, samples: Samples) -> None:
        began = time.perf_counter()
        for evaluation in self.engine.push(samples):
            for finding in evaluation.findings:
                if not evaluation.suppressed or finding.link in ALWAYS:  # else an episode keeps its numbers
                    self.seen_s[finding.link] = evaluation.time_s
            for item in self.tracker.update(evaluation):
                self.told.append(Told(item.time_s, item.kind, item.episode.finding.cause, item.episode.link))
        assert self.engine.check_errors == {}, self.engine.check_errors
        self.worked_s += time.perf_counter() - began

    def watch(self) -> None:
        """Book tonnes and changes from here."""
        self.booked = {name: [] for name in BOOKED}
        self.told.clear()
        self.watched_s = self.faulty.model.time_s
        self.worked_s = 0.0

    def tonnes(self, kind: str, until_s: int) -> tuple[float, float]:
        """Tonnes too many since `watch`, held against the gauge's flow, the true flow or the PLC flow; NaN where not read.

        Two numbers: with what is on its way to the PLC counted as lost, and with it shifted back; the smaller one first.
        """
        n = until_s - self.watched_s
        column = {name: np.concatenate(parts)[:n] for name, parts in self.booked.items()}
        if kind == "total":
            total = column["plc_total"]
            gained = float(total[-1] - total[0]) - float(column["plc_flow"][1:].sum()) / 3600.0 if n > 1 else float("nan")
            return gained, gained
        late = round(self.draw.spec.block.lag + self.draw.spec.block.filter)
        shifted = float((column["plc_flow"][late:] - column[kind][: n - late]).sum()) / 3600.0 * n / max(n - late, 1)
        plain = float((column["plc_flow"] - column[kind]).sum()) / 3600.0
        return min(shifted, plain), max(shifted, plain)


def bench(draw: Draw, name: str = "swings", begin: int = BEGIN) -> Bench:
    """A sound plant of a draw under a scene, before its first second."""
    model = LoopModel(draw.spec, draw.seed + 1000 * draw.number, scenario=scene(name, draw), start=begin)
    site = draw.site
    return Bench(draw, Faulty(model), LoopEngine(site, draw.spec.loop), EpisodeTracker(site, draw.spec.loop))


@dataclass(slots=True)
class Prefixes:
    """Sound stretches of one draw, by scene and length: run once, copied for each fault."""

    draw: Draw
    kept: dict[tuple[str, int], Bench] = field(default_factory=dict)
    ran_s: float = 0.0
    copied_s: float = 0.0

    def branch(self, name: str, seconds: int) -> Bench:
        """A bench that has run soundly for `seconds`."""
        began = time.perf_counter()
        found = self.kept.get((name, seconds))
        if found is None:
            found = bench(self.draw, name)
            found.advance(seconds)
            self.kept[(name, seconds)] = found
            self.ran_s += time.perf_counter() - began
        began = time.perf_counter()
        site = found.engine.site
        out = copy.deepcopy(found, {id(site): site, id(found.draw): found.draw})
        self.copied_s += time.perf_counter() - began
        return out


def can_have(case: Case, draw: Draw) -> bool:
    """Whether a draw can have the fault of a case at all."""
    known = FAULTS.get(case.plant_fault)
    needs_speed = case.measured_speed or (known is not None and known.measured_speed)
    return draw.spec.gauge.fixed_speed is None or not needs_speed


def levels(case: Case) -> tuple[tuple[str, float | None], ...]:
    """The sizes of a case by name; one without sizes is run at the default of the plant's fault."""
    if is_slow(case):
        return tuple(zip(SIZES, WEEKS[case.cause][0], strict=True))
    if not case.sizes:
        return (("moderate", None),)
    return tuple(zip(SIZES, case.sizes, strict=True)) if len(case.sizes) == len(SIZES) else (("moderate", case.sizes[0]),)


def run_case(case: Case, size: str, level: float | None, prefixes: Prefixes) -> Outcome:
    """One case at one size on one draw."""
    draw = prefixes.draw
    if is_slow(case) and level is not None:
        return run_slow(case, size, level, draw.number)
    head = {"cause": case.cause, "fault": case.plant_fault, "size": size, "draw": draw.number, "read": draw.read}
    beside = mates(case.cause, tags_of(draw.site, draw.spec.loop))
    able = case.with_roles <= frozenset(draw.spec.roles) and case.shows(draw.spec)
    if case.plant_fault not in FAULTS:
        return Outcome(**head, severity=None, grade=MISSING, can_be_named=able)  # type: ignore[arg-type]
    severity = None if level is None else case.size(draw.spec, level)
    if case.plant_fault in LOTS:
        return run_lots(case, size, severity, draw)
    rig = prefixes.branch(case.scene, case.before_s)
    rig.watch()
    rig.faulty.set(case.plant_fault, True, severity)
    ACTS[case.act](rig)
    consequences = (case.beside | LOUD) - {case.cause}
    rig.advance_until_settled(case.after_s, LONG_STAND_S if draw.number % 4 else case.after_s, consequences)
    findings = stood(rig.tracker.open)
    mark, finding = grade(case, draw, findings)
    raised = [item.time_s - rig.watched_s for item in rig.told if item.kind == "raised"]
    named = [item.time_s - rig.watched_s for item in rig.told if item.kind != "returned" and item.cause == case.cause]
    right = None if finding is None else finding.link in right_links(case, draw)
    return Outcome(
        **head, severity=severity, grade=mark, can_be_named=able, right_link=right, mates=beside,  # type: ignore[arg-type]
        lists_true=case.cause in listed(findings), lists_mate=lists_mate(findings, set(beside)),
        odds=None if finding is None else finding.odds,
        raised_after_s=min(raised, default=None), named_after_s=min(named, default=None),
        coverage=Coverage() if finding is None or finding.cause != case.cause else _coverage(case, rig, finding),
        told=tuple(in_words(item) for item in findings),
        changes=tuple(f"{item.time_s - rig.watched_s} {item.kind} {item.cause} at {item.link.value}" for item in rig.told),
        worked_s=rig.worked_s,
    )  # fmt: skip


def _coverage(case: Case, rig: Bench, finding: Finding) -> Coverage:
    draw, onset = rig.draw, rig.watched_s
    tonnes: bool | None = None
    words = (
        f"begin {finding.begin - onset:+d} [{finding.begin_interval[0] - onset:+d}, {finding.begin_interval[1] - onset:+d}] s"
    )
    if case.tonnes and finding.tonnes is not None:
        truth = rig.tonnes(case.tonnes, rig.seen_s[finding.link])
        tonnes = tonnes_held(finding, truth, draw.spec.plc_total.resolution if case.tonnes == "total" else 0.05)
        words += (
            f"; told {finding.tonnes:.2f} +- {finding.tonnes_uncertainty or 0.0:.2f} t, true {truth[0]:.2f} to {truth[1]:.2f} t"
        )
    held: bool | None = None
    line = next((item for item in chain(rig.engine.loop) if item.link is finding.link), None)
    if finding.implied is not None and line is not None:
        low, high = implied_range(rig.faulty.model.spec, line)
        implied = finding.implied
        words += f"; implied {implied.range_low:.2f} to {implied.range_high:.2f}, true {low:.2f} to {high:.2f} t/h"
        if implied.low_uncertainty is not None and implied.high_uncertainty is not None:
            inside = abs(implied.range_low - low) <= implied.low_uncertainty
            held = inside and abs(implied.range_high - high) <= implied.high_uncertainty
    seen = None if case.begins_later else onset_held(finding, onset, rig.engine.site.block)
    return Coverage(onset=seen, tonnes=tonnes, range=held, words=words)
