"""Small stand-ins for the history and the engine."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from checks.blocks import Blocks
from checks.empties import EmptyStretch
from checks.engine import LoopEngine
from checks.evaluation import BeltState, Evaluation, Totals
from checks.reliability.timeline import Annotation
from checks.result import Verdict
from checks.samples import Samples, join
from collector.history.hour_rows import By, FleetLine
from collector.history.store import Event, Trend
from config.model import Site

T0 = 1_800_000_000


def site(*loops: str) -> Site:
    """A site with the given loops (TB-07 where none is named), each with one Modbus tag."""
    part = {
        "gauge": {"range": {"high": 500.0}},
        "plc": {"range": {"high": 500.0}},
        "tags": {"flow": {"endpoint": "gauge", "address": 0}},
    }
    return Site.model_validate(
        {
            "schema": 1,
            "site": "terminal",
            "endpoints": {"gauge": {"protocol": "modbus", "host": "127.0.0.1", "port": 502}},
            "loops": dict.fromkeys(loops or ("TB-07",), part),
        }
    )


def samples(first: int, rows: int, loop: str = "TB-07") -> Samples:
    """Good flow, one row a second."""
    return Samples(
        loop=loop,
        time_s=np.arange(first, first + rows, dtype=np.int64),
        values={"flow": np.arange(rows, dtype=np.float64)},
        quality={"flow": np.zeros(rows, np.uint8)},
        flags=np.zeros(rows, np.uint8),
    )


class MemoryStore:
    """A history in memory that can be told to fail; what comes twice is stored once."""

    def __init__(self) -> None:
        self.corrections: list[Annotation] = []
        self.rows: dict[str, list[Samples]] = {}
        self.ledger: list[Event] = []
        self.blocks: list[Blocks] = []
        self.stretches: dict[str, list[EmptyStretch]] = {}
        self.void_times: dict[str, list[tuple[int, int]]] = {}
        self.failing: Exception | None = None
        self.appends = 0

    def _refuse(self) -> None:
        if self.failing is not None:
            raise self.failing

    def append(self, batch: Sequence[Samples]) -> int:
        self._refuse()
        self.appends += 1
        for part in batch:
            self.rows.setdefault(part.loop, []).append(part)
        return sum(len(part) for part in batch)

    def scan(self, loop: str, begin: int, end: int) -> Iterator[Samples]:
        self._refuse()
        for part in self.rows.get(loop, []):
            kept = (part.time_s >= begin) & (part.time_s < end)
            if kept.any():
                first, last = np.flatnonzero(kept)[[0, -1]]
                yield part[slice(int(first), int(last) + 1)]

    def trend(self, loop: str, role: str, begin: int, end: int, max_points: int = 2000) -> Trend:
        raise NotImplementedError

    def trends(self, loop: str, roles: Sequence[str], begin: int, end: int, max_points: int = 2000) -> dict[str, Trend]:
        return {role: self.trend(loop, role, begin, end, max_points) for role in roles}

    def add_rollups_of(self, parts: Sequence[Blocks]) -> None:
        for blocks in parts:
            self.add_rollups(blocks)

    def add_rollups(self, blocks: Blocks) -> None:
        self._refuse()
        self.blocks.append(blocks)

    def rollups(self, loop: str, length_s: int, begin: int, end: int) -> Blocks | None:
        return None

    def fleet(self, by: By, begin: int, end: int, top: int) -> list[FleetLine]:
        return []

    def add_event(self, event: Event) -> None:
        self._refuse()
        self.ledger.append(event)

    def events(self, begin: float, end: float, loop: str | None = None) -> list[Event]:
        return [event for event in self.ledger if begin <= event.time < end and loop in (None, event.loop)]

    def add_empties(self, loop: str, stretches: Sequence[EmptyStretch]) -> None:
        self._refuse()
        self.stretches.setdefault(loop, []).extend(stretches)

    def empties(self, loop: str) -> list[EmptyStretch]:
        return list(self.stretches.get(loop, []))

    def void_empties(self, loop: str, voids: Sequence[tuple[int, int]]) -> None:
        self._refuse()
        self.void_times.setdefault(loop, []).extend(voids)

    def voids(self, loop: str) -> list[tuple[int, int]]:
        return list(self.void_times.get(loop, []))

    def annotate(self, annotation: Annotation) -> None:
        self.corrections.append(annotation)

    def annotations(self, loop: str, begin: int, end: int) -> list[Annotation]:
        return [one for one in self.corrections if one.loop == loop and one.begin < end and one.end > begin]

    def extent(self, loop: str) -> tuple[int, int] | None:
        parts = self.rows.get(loop)
        if not parts:
            return None
        times = join(parts).time_s
        return int(times[0]), int(times[-1]) + 1

    def seal(self, now: float) -> int:
        return 0

    def retain(self, now: float) -> int:
        return 0

    def close(self) -> None:
        return None


class CountingEngine(LoopEngine):
    """Says of every ten seconds that they are there, and remembers what it was given."""

    def __init__(self, site: Site, loop_id: str, *, site_sha256: str = "") -> None:
        super().__init__(site, loop_id, site_sha256=site_sha256)
        self.seen: list[tuple[int, bool]] = []
        self.breaks = False

    def push(self, samples: Samples, *, evaluate: bool = True, show: bool = False, asking: bool = True) -> list[Evaluation]:
        if self.breaks:
            raise ValueError("broken")
        self.seen += [(int(time), evaluate) for time in samples.time_s]
        return [self._at(int(time) + 1) for time in samples.time_s if evaluate and (time + 1) % 10 == 0]

    def take_rollups(self) -> dict[int, Blocks]:
        return {}

    def _at(self, time: int) -> Evaluation:
        totals = Totals(gauge_t=None, plc_t=None, own_t=None, best_t=None, best_u_t=None, not_measured_s=0.0)
        return Evaluation(
            loop=self.loop_id,
            time_s=time,
            state=BeltState.UNKNOWN,
            suppressed="",
            results=(),
            findings=(),
            chain=(),
            totals=totals,
            verdict=Verdict.OK,
            site_sha256="",
        )
