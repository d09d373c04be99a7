"""The same samples give the same evaluations to the byte: from pollers, from history, from an exported file."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from checks.engine import LoopEngine
from checks.evaluation import Evaluation
from checks.samples import Samples, join
from collector.clock import ManualClock
from collector.live import EndpointStatus, LiveState
from collector.reading import BAD, Reading, ReadingSink
from collector.replay.importer import open_recording
from collector.service.assembly import EventTeller, Poller, Service
from collector.service.supervisor import sleep_or_stop
from config.load import LoadedSite
from config.model import Site
from tests.service.fakes import T0, MemoryStore
from tests.service.waiting import SOON, until

LOOP = "TB-07"
SHA = "cd" * 32
SITE = Site.model_validate(
    {
        "schema": 1,
        "site": "terminal",
        "endpoints": {"gauge": {"protocol": "modbus", "host": "127.0.0.1", "port": 502}},
        "loops": {
            LOOP: {
                "gauge": {"range": {"high": 420.0}},
                "plc": {"range": {"high": 420.0}},
                "tags": {
                    role: {"endpoint": "gauge", "address": 2 * place}
                    for place, role in enumerate(("flow", "plc_flow", "loop_current", "speed", "drive_running"))
                },
            }
        },
    }
)


class Plant:
    """A poller over an invented plant: noise, a lost poll now and then, a bad reading now and then (seed 5)."""

    name = "gauge"

    def __init__(self, sink: ReadingSink, clock: ManualClock) -> None:
        self._sink, self._clock = sink, clock
        self._random = np.random.default_rng(5)

    async def run(self, stop: asyncio.Event) -> None:
        deadline = self._clock.monotonic() + 0.37
        while not await sleep_or_stop(self._clock, deadline, stop):
            deadline += 1.0
            if self._random.random() < 0.05:
                continue
            flow = 200.0 + 80.0 * math.sin(self._clock.monotonic() / 60.0) + self._random.normal(0.0, 2.0)
            values = {"flow": flow, "plc_flow": flow * 1.0003, "loop_current": 4.0 + 16.0 * flow / 420.0, "speed": 1.9}
            readings = [self._reading(role, value) for role, value in values.items()] + [self._reading("drive_running", 1.0)]
            self._sink(readings)

    def _reading(self, role: str, value: float) -> Reading:
        bad = self._random.random() < 0.02
        quality = BAD if bad else 0
        return Reading(loop=LOOP, role=role, value=math.nan if bad else value, quality=quality, receive_time=self._clock.now())


class Collecting:
    """Alerting that only remembers."""

    def __init__(self) -> None:
        self.taken: list[Evaluation] = []

    def take(self, evaluation: Evaluation) -> None:
        self.taken.append(evaluation)

    async def run(self, stop: asyncio.Event) -> None:
        await stop.wait()


async def live(seconds: int) -> tuple[MemoryStore, list[Evaluation]]:
    """Run the service over the plant; what it stored and what it said."""
    clock, store, alerting = ManualClock(T0), MemoryStore(), Collecting()
    loaded = LoadedSite(site=SITE, sha256=SHA, path=Path("site.yaml"))

    def pollers(sink: ReadingSink, statuses: dict[str, EndpointStatus], tell: EventTeller) -> Sequence[Poller]:
        return [Plant(sink, clock)]

    service = Service(loaded, store, alerting, pollers, LiveState(SITE, SHA), clock)
    running = asyncio.create_task(service.run())
    for _ in range(seconds):
        await asyncio.sleep(0.0005)
        await clock.advance(1.0)
    await until(lambda: service.live.counters.get("samples_closed", 0) >= seconds - 5)
    service.supervisor.request_stop()
    await asyncio.wait_for(running, SOON)
    assert service.live.counters.get("check_errors", 0) == 0
    return store, alerting.taken


def said_of(stretches: Sequence[Samples], site: Site = SITE) -> list[str]:
    """What a fresh engine says of stretches of samples."""
    engine = LoopEngine(site, LOOP, site_sha256=SHA)
    return [repr(evaluation) for samples in stretches for evaluation in engine.push(samples)]


async def test_live_history_and_export_give_the_same_evaluations_to_the_byte(tmp_path: Path) -> None:
    store, taken = await live(200)
    assert len(taken) >= 18
    by_second = list(store.scan(LOOP, 0, 2**40))
    said = [repr(evaluation) for evaluation in taken]
    assert said_of(by_second) == said
    whole = join(by_second)
    assert said_of([whole]) == said
    assert said_of([whole[slice(0, 77)], whole[slice(77, 78)], whole[slice(78, None)]]) == said

    frame = pd.DataFrame({"time": whole.time_s, "flags": whole.flags})
    for role, column in whole.values.items():
        frame[role] = column
        frame[f"{role}.quality"] = whole.quality[role]
    frame.to_csv(tmp_path / "export.csv", index=False)
    recording = open_recording(SITE, tmp_path / "export.csv")
    exported = [batch.samples[LOOP] for batch in recording.batches() if LOOP in batch.samples]
    again = join(exported)
    assert again.time_s.tobytes() == whole.time_s.tobytes()
    assert again.flags.tobytes() == whole.flags.tobytes()
    for role in whole.values:
        assert again.values[role].tobytes() == whole.values[role].tobytes(), role
        assert again.quality[role].tobytes() == whole.quality[role].tobytes(), role
    assert said_of(exported, recording.site) == said
