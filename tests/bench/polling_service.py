"""The whole service on a polled site, with its processor time by stage, for `polling.py`.

    python -P -m tests.bench.polling_service PARENT_PID SITE_PICKLE FOLDER

`report` on stdin makes it print one JSON object: polls of gauges, how late they were, seconds by stage, since the last report.
A stage is the processor time of its thread inside its functions, without the stages that it calls.
"""

from __future__ import annotations

import asyncio
import functools
import json
import os
import pickle
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any

from checks.build import BlockBuilder
from checks.engine import LoopEngine
from checks.merge import TreeMerger
from collector.align import Aligner
from collector.history.sqlite import SqliteStore
from collector.history.tiers import TieredStore
from collector.live import LiveState
from collector.service.alerting import Alerts
from collector.service.keeping import Keeper
from collector.service.loops import Closing
from collector.service.run import ServiceOptions, run_loaded
from collector.service.verifying import Verifying
from collector.sources.endpoint import EndpointPoller
from collector.sources.modbus_source import ModbusSource
from collector.sources.opcua_source import OpcUaSource
from config.load import LoadedSite
from config.model import Site
from deploy.plant.child import die_with

STAGES: tuple[tuple[str, type, tuple[str, ...]], ...] = (
    ("decode", ModbusSource, ("_decoded",)),
    ("decode", OpcUaSource, ("_decoded",)),
    ("align", Closing, ("sink", "tick")),
    ("align", Aligner, ("take", "take_row", "close_until")),
    ("live", LiveState, ("take_readings", "take_evaluation")),
    ("block", BlockBuilder, ("push",)),
    ("block", TreeMerger, ("push",)),
    ("check", LoopEngine, ("push",)),
    ("verify", Verifying, ("_push",)),
    ("alert", Alerts, ("take", "_tick", "_offer")),
    ("store", SqliteStore, ("append",)),
    ("store", TieredStore, ("add_rollups", "add_empties", "add_event")),
    ("store", Keeper, ("keep_samples",)),
)


class Stages:
    """Processor time of threads by stage; only while `on`."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = defaultdict(float)
        self.on = True
        self._open = threading.local()

    def watch(self, stage: str, kind: type, name: str) -> None:
        """Count the calls of one function to a stage."""
        inner: Callable[..., Any] = getattr(kind, name)

        @functools.wraps(inner)
        def timed(*args: Any, **kwargs: Any) -> Any:
            if not self.on:
                return inner(*args, **kwargs)
            stack: list[float] = self._open.__dict__.setdefault("stack", [])
            stack.append(0.0)
            began = time.thread_time()
            try:
                return inner(*args, **kwargs)
            finally:
                spent = time.thread_time() - began
                self.spent[stage] += spent - stack.pop()
                if stack:
                    stack[-1] += spent

        setattr(kind, name, timed)


class Lateness:
    """How late each poll of a gauge began [s]."""

    def __init__(self) -> None:
        self.seen: list[float] = []
        inner = EndpointPoller._poll

        async def seen(poller: EndpointPoller, period: float) -> Any:
            if period == 1.0 and poller.name.startswith("gauge"):
                self.seen.append(poller._status.lateness_s)
            return await inner(poller, period)

        EndpointPoller._poll = seen  # type: ignore[method-assign, assignment]


def main() -> None:
    """Entry of the process."""
    die_with(int(sys.argv[1]))
    site: Site = pickle.loads(Path(sys.argv[2]).read_bytes())
    folder = Path(sys.argv[3])
    stages, lateness = Stages(), Lateness()
    for stage, kind, names in STAGES:
        for name in names:
            stages.watch(stage, kind, name)
    states: list[LiveState] = []
    begin = LiveState.__init__

    def remember(self: LiveState, *args: Any, **kwargs: Any) -> None:
        begin(self, *args, **kwargs)
        states.append(self)

    LiveState.__init__ = remember  # type: ignore[method-assign]

    answers, sys.stdout = sys.stdout, sys.stderr  # the service says its address there

    def report() -> None:
        for line in sys.stdin:
            stages.on = "stages" in line
            seen, lateness.seen = lateness.seen, []
            spent, stages.spent = dict(stages.spent), defaultdict(float)
            live = states[0] if states else None
            endpoints = [] if live is None else list(live.endpoints.values())
            out: dict[str, Any] = {
                "polls": len(seen), "lateness": sorted(seen), "spent": spent,
                "skipped": sum(status.skipped_slots for status in endpoints),
                "up": sum(status.state.value == "up" for status in endpoints), "endpoints": len(endpoints),
                "counters": {} if live is None else dict(live.counters), "problems": {} if live is None else dict(live.problems),
                "evaluations": 0 if live is None else len(live.evaluations),
                "threads": {str(thread.native_id): thread.name.rpartition("_")[0] or "event loop" for thread in threading.enumerate()},
            }  # fmt: skip
            answers.write(json.dumps(out) + "\n")
            answers.flush()
        os._exit(0)

    threading.Thread(target=report, daemon=True).start()
    options = ServiceOptions(site=folder / "site.yaml", data=folder, port=0, log_format="json")
    asyncio.run(run_loaded(options, LoadedSite(site=site, sha256="bench", path=folder / "site.yaml")))


if __name__ == "__main__":
    main()
