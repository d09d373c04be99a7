"""Thousands of alerts that come and go for an hour of simulated time: how many messages leave, and whether the page can be used.

    .venv/bin/python -P tests/bench/alert_flapping.py [ALERTS] [MINUTES] [SEED]

Every alert has a loop and link of its own and one of `CAUSES`, and comes and goes at random, on average every six minutes. The
book takes what changed every ten seconds, as the service does, and time passes.
"""

from __future__ import annotations

import asyncio
import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

import httpx

from checks.episodes import EpisodeChange
from checks.result import Link
from collector.alerts.policy import Policy
from collector.clock import ManualClock
from collector.web.app import create_app
from config.deliveries import Tell
from tests.collector.alerts.books import Kept
from tests.collector.alerts.raised import T0, change, finding
from tests.collector.web import plant

STEP_S = 10
CAUSES = (
    "range-mismatch",
    "ai-gain",
    "zero-counts",
    "total-time-base",
    "detector-temperature",
    "tach-lost",
    "stale-tag",
    "clamped",
)
LINKS = (Link.COUNTS, Link.GAUGE_OUTPUT, Link.SCALING_BLOCK, Link.TOTALS, Link.DRIVE)
POLICY = Policy(tells={"chat": Tell(), "lead": Tell(after=900.0)}, zone="America/Regina")


def run(alerts: int, minutes: int, seed: int, *, tell: Any = print) -> dict[str, float]:
    """Let them flap; the figures."""
    drawn = random.Random(seed)
    with tempfile.TemporaryDirectory() as folder:
        kept = Kept(Path(folder) / "state.db", POLICY)
        places = [
            (f"TB-{index // len(LINKS):04d}", LINKS[index % len(LINKS)], CAUSES[index % len(CAUSES)]) for index in range(alerts)
        ]
        since: list[int | None] = [None] * alerts
        spells, changes = [0] * alerts, 0
        begun = time.process_time()
        for now in range(T0, T0 + 60 * minutes, STEP_S):
            batch: list[EpisodeChange] = []
            for index, (loop, link, cause) in enumerate(places):
                if drawn.random() > STEP_S / 180.0:
                    continue
                first = since[index]
                found = finding(loop=loop, link=link, cause=cause, begin=now if first is None else first, rate_error_t_h=2.0)
                spells[index] += first is None
                batch.append(change("raised" if first is None else "returned", found, number=spells[index], at=now))
                since[index] = now if first is None else None
            kept.book.take(batch, now=float(now))
            kept.book.tick(float(now))
            changes += len(batch)
        flapped_s = time.process_time() - begun
        kinds = Counter(message["kind"] for message in kept.messages())
        shown = asyncio.run(_page(kept, T0 + 60 * minutes))
        standing = len(kept.book.standing())
        ids = len(kept.book.over(T0, T0 + 86400.0, 100_000))
        kept.state.close()
    result = {
        "alerts": alerts, "minutes": minutes, "times raised": sum(spells), "changes": changes, "alerts in the book": ids,
        "not normal at the end": standing, "messages": kinds.total(), "causes": len(CAUSES), **shown,
        "processor ms a change": round(1000.0 * flapped_s / max(changes, 1), 2),
    }  # fmt: skip
    tell(f"seed {seed}: " + ", ".join(f"{name} {value:g}" for name, value in result.items()))
    tell("messages by kind: " + ", ".join(f"{kind} {count}" for kind, count in sorted(kinds.items())))
    return result


async def _page(kept: Kept, now: int) -> dict[str, float]:
    """The page of the alerts and its neighbours while all of them stand."""
    app = create_app(plant.live(), plant.MemoryStore(), kept.book, ManualClock(float(now)), port=8460)
    out: dict[str, float] = {}
    transport = httpx.ASGITransport(app=app)
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8460") as client:
        for name, path in (("alerts", "/alerts"), ("found", "/alerts?find=TB-0007"), ("site", "/"), ("metrics", "/metrics")):
            await client.get(path)
            begun = time.monotonic()
            answer = await client.get(path)
            assert answer.status_code == 200, (path, answer.status_code)
            out[f"page {name} s"] = round(time.monotonic() - begun, 2)
            out[f"page {name} kB"] = round(len(answer.content) / 1000)
    return out


def main() -> None:
    """Run and print."""
    asked = [int(text) for text in sys.argv[1:]] + [5000, 60, 20_260_302][len(sys.argv) - 1 :]
    run(*asked)


if __name__ == "__main__":
    main()
