"""Plant, engine and episodes in simulated time: the code that runs behind the sockets, without the sockets."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from checks.engine import LoopEngine
from checks.episodes import EpisodeChange, EpisodeTracker
from checks.samples import Samples
from config.model import Site
from deploy.plant.faults import Faulty
from deploy.plant.model import LoopModel
from deploy.plant.site import POTASH, scenario_of
from deploy.plant.terminal import fresh, specs_at

CHUNK_S = 600
"""Seconds that are made and pushed at a time; the engine gives the same answers for any chunks."""


@dataclass(frozen=True, slots=True)
class Order:
    """Switch a fault at a second counted from the begin."""

    second: int
    fault: str
    on: bool = True
    severity: float | None = None


READ_BACK = ("gauge_range_low", "gauge_range_high", "plc_range_low", "plc_range_high")


def samples_of(
    loop: str, begin_s: int, seconds: int, seed: int, orders: Sequence[Order] = (), without: Sequence[str] = ()
) -> Iterator[Samples]:
    """The samples of one loop of the terminal at 1 s, all good, in stretches; `without` are roles that are not read."""
    import numpy as np

    spec = specs_at(fresh(begin_s))[loop]
    faulty = Faulty(LoopModel(spec, seed, scenario=scenario_of(loop, seed), start=begin_s))
    cuts = sorted({0, seconds, *(order.second for order in orders), *range(0, seconds, CHUNK_S)})
    for first, last in itertools.pairwise(cuts):
        for order in orders:
            if order.second == first:
                faulty.set(order.fault, order.on, order.severity)
        values = {role: column for role, column in faulty.model.advance(last - first).items() if role not in without}
        yield Samples(
            loop=loop,
            time_s=np.arange(begin_s + first, begin_s + last, dtype=np.int64),
            values=values,
            quality={role: np.zeros(last - first, np.uint8) for role in values},
            flags=np.zeros(last - first, np.uint8),
        )


def lacking(site: Site, loop: str, without: Sequence[str]) -> Site:
    """The site as if these roles of a loop had no tags."""
    part = site.loops[loop]
    tags = {role: tag for role, tag in part.tags.items() if role not in without}
    return site.model_copy(update={"loops": {**site.loops, loop: part.model_copy(update={"tags": tags})}})


@dataclass(frozen=True, slots=True)
class Told:
    """One change of an episode and the second, counted from the begin, at which it was known."""

    second: int
    change: EpisodeChange


def tell(
    site: Site, loop: str, begin_s: int, seconds: int, seed: int, orders: Sequence[Order] = (), without: Sequence[str] = ()
) -> list[Told]:
    """Every change of an episode that people would hear of."""
    engine = LoopEngine(lacking(site, loop, without), loop)
    tracker = EpisodeTracker(site, loop)
    told: list[Told] = []
    for samples in samples_of(loop, begin_s, seconds, seed, orders, without):
        for evaluation in engine.push(samples):
            told += [Told(evaluation.time_s - begin_s, change) for change in tracker.update(evaluation)]
    assert engine.check_errors == {}
    return told


LOOPS = tuple(POTASH)
