"""kill -9 at random points of alerts that come, go, are acknowledged and delivered: nothing lost, nothing told twice.

    .venv/bin/python -P tests/bench/alert_kills.py [KILLS] [SEED]

A child takes a script of changes through the alert book (its place in the script lies in the database with what it has written),
lets time pass and delivers to a counting receiver; the parent kills it after a random time and starts the next. At the end every
message of the outbox must have been taken, each event by one key only, and the book must hold what a run without kills holds.
A message whose delivery was not noted before a kill goes out again with the same key, which a receiver knows by.
"""

from __future__ import annotations

import asyncio
import collections
import json
import multiprocessing
import os
import random
import signal
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from collector.alerts.book import AlertBook
from collector.alerts.policy import Policy
from collector.clock import ManualClock
from collector.delivery.outbox import OutboxWorker, targets_of
from collector.history.state import StateDb
from collector.history.tables import ALERTS, OUTBOX, SPELLS, TRANSITIONS
from config.deliveries import Tell, WebhookDelivery
from tests.collector.alerts.raised import T0, change, finding
from tests.collector.delivery.receiver import Receiver
from tests.service.fakes import site as plain_site

LOOPS = 6
STEP_S = 140.0
"""Slow enough that there is no flood, so that most changes are told [s]."""
PLACE = "script"
CAUSES = ("range-mismatch", "ai-gain", "clamped")
POLICY = Policy(tells={"chat": Tell(), "lead": Tell(after=900.0)}, zone="Europe/Berlin")


def step(book: AlertBook, number: int) -> None:
    """Step `number` of the script: alerts of six loops come, go and come back, one is acknowledged, time passes."""
    now = T0 + number * STEP_S
    loop, phase = f"TB-{number % LOOPS:02d}", (number // LOOPS) % 6
    spell = number // LOOPS // 6
    found = finding(loop=loop, begin=int(now) - 60, cause=CAUSES[spell % len(CAUSES)])
    place = {PLACE: {"next": number + 1}}
    if phase in (0, 3):
        book.take([change(found=found, number=2 * spell + phase // 3)], now=now, trackers=place)
    elif phase in (2, 5):
        book.take([change("returned", found, number=2 * spell + phase // 3)], now=now, trackers=place)
    else:
        standing = [alert.id for alert in book.standing() if alert.loop == loop] if number % 4 == 0 else []
        for alert in standing:
            book.acknowledge(alert, by="R. Hald", now=now)
        book.take([], now=now, trackers=place)
    book.tick(now)


def work(folder: str, steps: int, url: str) -> None:
    """Go on with the script where the database says, delivering after every step, until it is through."""
    os.environ["CHAT_URL"] = url
    state = StateDb(Path(folder) / "state.db")
    book = AlertBook(state, POLICY)
    deliveries = {name: WebhookDelivery(kind="webhook", url_env="CHAT_URL") for name in POLICY.tells}
    at = plain_site().model_copy(update={"deliveries": deliveries})
    clock = ManualClock(float(T0))
    worker = OutboxWorker(state, at, targets_of(at), clock, jitter=lambda: 0.0)
    number = int(book.trackers().get(PLACE, {"next": 0})["next"])
    if number:
        book.tick(T0 + (number - 1) * STEP_S)  # what the last step would have seen had it lived: a tick may be repeated
    while number < steps:
        step(book, number)
        clock.step_wall(T0 + number * STEP_S - clock.now())
        asyncio.run(worker.deliver_due())
        number += 1
    asyncio.run(worker.deliver_due())
    state.close()


def held(folder: str) -> dict[str, Any]:
    """What the book holds at the end, without what only counts attempts."""
    state = StateDb(Path(folder) / "state.db")
    with state.transaction() as connection:
        alerts = connection.execute(
            sa.select(ALERTS.c.id, ALERTS.c.state, ALERTS.c.active, ALERTS.c.reopened, ALERTS.c.acknowledged_by).order_by(
                ALERTS.c.id
            )
        ).all()
        changes = connection.execute(
            sa.select(TRANSITIONS.c.alert, TRANSITIONS.c.old, TRANSITIONS.c.new, TRANSITIONS.c.note).order_by(TRANSITIONS.c.id)
        ).all()
        spells = connection.execute(sa.select(sa.func.count()).select_from(SPELLS)).scalar_one()
        outbox = connection.execute(sa.select(OUTBOX.c.key, OUTBOX.c.message, OUTBOX.c.delivered).order_by(OUTBOX.c.id)).all()
    state.close()
    return {
        "alerts": [tuple(row) for row in alerts], "changes": [tuple(row) for row in changes], "spells": spells,
        "keys": [row.key for row in outbox], "undelivered": sum(row.delivered is None for row in outbox),
        "kinds": dict(collections.Counter(json.loads(row.message)["kind"] for row in outbox)),
    }  # fmt: skip


def run(kills: int, seed: int, steps: int, *, tell: Any = print) -> dict[str, int]:
    """Run the script with so many kills and once without; figures of both, with what differs (all 0 where it is right)."""
    drawn = random.Random(seed)
    forked = multiprocessing.get_context("fork")
    with (
        tempfile.TemporaryDirectory() as plain,
        tempfile.TemporaryDirectory() as killed,
        Receiver() as quiet,
        Receiver() as counting,
    ):
        begun = time.monotonic()
        work(plain, steps, quiet.url)
        whole_s = time.monotonic() - begun
        done = finished = 0
        while True:
            child = forked.Process(target=work, args=(killed, steps, counting.url))
            child.start()
            last = done >= kills
            child.join(None if last else drawn.uniform(0.0, 2.0 * whole_s / kills))
            if child.is_alive():
                assert child.pid is not None
                os.kill(child.pid, signal.SIGKILL)
                child.join()
                done += 1
                continue
            assert child.exitcode == 0, f"a child broke ({child.exitcode})"
            finished += 1
            if last or finished > 3:
                break
        with_kills, without = held(killed), held(plain)
        posted, taken = set(with_kills["keys"]), collections.Counter(counting.keys)
        result = {
            "kills": done, "steps": steps, "messages": len(posted), "requests": sum(taken.values()),
            "repeated with the same key": sum(taken.values()) - len(taken),
            "lost": len(posted - taken.keys()) + with_kills["undelivered"],
            "told twice under two keys": len(with_kills["keys"]) - len(without["keys"]),
            "unknown keys": len(taken.keys() - posted),
            "alerts that differ": len(set(with_kills["alerts"]) ^ set(without["alerts"])),
            "spells that differ": abs(with_kills["spells"] - without["spells"]),
            "kinds that differ": sum(
                abs(with_kills["kinds"].get(kind, 0) - without["kinds"].get(kind, 0))
                for kind in with_kills["kinds"].keys() | without["kinds"].keys()
            ),
        }  # fmt: skip
    tell(f"seed {seed}: " + ", ".join(f"{name} {value}" for name, value in result.items()))
    return result


WRONG = ("lost", "told twice under two keys", "unknown keys", "alerts that differ", "spells that differ", "kinds that differ")
"""Figures that must be 0."""


def main() -> None:
    """Run and print; 1 where anything is wrong."""
    kills, seed = (int(sys.argv[1]) if len(sys.argv) > 1 else 200), (int(sys.argv[2]) if len(sys.argv) > 2 else 20_260_302)
    found = run(kills, seed, steps=max(60, 3 * kills))
    wrong = {name: found[name] for name in WRONG if found[name]}
    print("all as without kills" if not wrong else f"WRONG: {wrong}")
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
