"""Cases that only the truth tells: hours of a drawn plant, with lots that something else weighed in the ledger of its site."""

from __future__ import annotations

import time
from datetime import UTC, datetime

import numpy as np

from checks.causes.naming import mates, tags_of
from checks.engine import LoopEngine
from checks.episodes import EpisodeTracker
from checks.samples import Samples
from config.ledger import Ledger, MaterialTestEntry
from deploy.plant.faults import Faulty
from deploy.plant.model import LoopModel
from tests.faults.cases import Case
from tests.faults.draws import BEGIN, Draw
from tests.faults.grade import Outcome, grade_among, in_words, listed, lists_mate, right_links, stood

LOT_S, EMPTY_S, AFTER_S = 2400, 180, 2400
PARTS = (0.35, 0.75, 0.5, 0.8, 0.3, 0.7)
"""Loads of the lots [parts of the range]."""
MOISTURES = (1.0, 4.0, 2.0, 5.0, 3.0, 6.0)
"""What the laboratory finds in each lot [%]."""
REFERENCE = 0.001
"""What the weighing of a lot is off by, one standard deviation [parts]."""
LOTS = frozenset({"load-shape", "wet-dry-basis", "calibration-factor@product"})
"""Faults that run here, by the id in the plant."""


def run_lots(case: Case, size: str, severity: float | None, draw: Draw) -> Outcome:
    """One case: the fault stands through every lot; the lots of a wet product are weighed dry where that is the fault."""
    began = time.perf_counter()
    spec = draw.spec
    faulty = Faulty(LoopModel(spec, draw.seed + 1000 * draw.number, start=BEGIN))
    dry = case.plant_fault == "wet-dry-basis"
    if not dry:
        faulty.set(case.plant_fault, True, severity)
    rng = np.random.default_rng([draw.seed, draw.number, 7])
    parts: list[Samples] = []
    entries = []
    for part, moisture in zip(PARTS, MOISTURES, strict=True):
        if dry:
            faulty.set("wet-dry-basis", True, moisture)
        faulty.set("empty-belt", True, 0.0)
        parts.append(_read(faulty.model, EMPTY_S))
        faulty.set("empty-belt", False)
        faulty.set("steady-load", True, part * spec.gauge.range_high)
        begin, tonnes = faulty.model.time_s, 0.0
        for _ in range(LOT_S // 300):
            parts.append(_read(faulty.model, 300))
            tonnes += float(faulty.model.truth["flow"].sum()) / 3600.0
        reference = tonnes * (1.0 - moisture / 100.0 if dry else 1.0) * (1.0 + REFERENCE * rng.normal())
        entries.append(
            MaterialTestEntry(
                loop=spec.loop, begin=_moment(begin), end=_moment(faulty.model.time_s), reference=reference,
                uncertainty=3.0 * REFERENCE * reference, moisture=moisture, method="truck scale",
            )
        )  # fmt: skip
    site = draw.site.model_copy(update={"ledger": Ledger(material_tests=tuple(entries))})
    engine, tracker = LoopEngine(site, spec.loop), EpisodeTracker(site, spec.loop)
    for samples in parts:
        engine.push(samples, evaluate=False)
    changes = _watch(faulty.model, engine, tracker)
    findings = stood(tracker.open)
    beside = mates(case.cause, tags_of(site, spec.loop))
    mark, finding = grade_among(case, frozenset({case.cause, *beside}), findings)
    return Outcome(
        cause=case.cause, fault=case.plant_fault, size=size, severity=severity, draw=draw.number, read=draw.read, grade=mark,
        can_be_named=case.with_roles <= tags_of(site, spec.loop), mates=beside, lists_true=case.cause in listed(findings),
        lists_mate=lists_mate(findings, set(beside)), right_link=None if finding is None else finding.link in right_links(case, draw),
        odds=None if finding is None else finding.odds, told=tuple(in_words(item) for item in findings), changes=changes,
        worked_s=time.perf_counter() - began,
    )  # fmt: skip


def _watch(model: LoopModel, engine: LoopEngine, tracker: EpisodeTracker) -> tuple[str, ...]:
    begin = model.time_s
    told = [
        item
        for _ in range(AFTER_S // 300)
        for evaluation in engine.push(_read(model, 300))
        for item in tracker.update(evaluation)
    ]
    return tuple(
        f"{item.time_s - begin} {item.kind} {item.episode.finding.cause} at {item.episode.link.value}" for item in told
    )


def _read(model: LoopModel, seconds: int) -> Samples:
    begin = model.time_s
    values = model.advance(seconds)
    return Samples(
        loop=model.spec.loop, time_s=np.arange(begin, begin + seconds, dtype=np.int64), values=values,
        quality={role: np.zeros(seconds, np.uint8) for role in values}, flags=np.zeros(seconds, np.uint8),
    )  # fmt: skip


def _moment(time_s: int) -> datetime:
    return datetime.fromtimestamp(time_s, UTC)
