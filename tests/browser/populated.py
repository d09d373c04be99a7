"""A terminal with a past: a day and more of the simulated plant in a real history, judged, alerted, with faults in it.

Nothing is made up for the eye: samples go the bulk way into the store, evaluations come from the engine, alerts from the book.
"""

from __future__ import annotations

import pickle
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from fastapi import FastAPI

from checks.engine import LoopEngine
from checks.episodes import EpisodeTracker
from checks.reliability.timeline import Annotation, LoopState
from checks.samples import Samples
from collector.accounts.closing import Accountant
from collector.alerts.book import AlertBook
from collector.clock import ManualClock
from collector.history.bulk import LoopImport
from collector.history.sqlite import SqliteStore, open_store
from collector.history.store import Event
from collector.live import EndpointState, EndpointStatus, LiveState
from collector.reading import Reading
from collector.records import periods
from collector.records.book import RecordBook
from collector.records.desk import RecordDesk
from collector.records.sources import Sources
from collector.web.app import create_app
from config.load import parse_site
from config.model import Site
from deploy.plant.site_file import site_text
from deploy.plant.terminal import fresh, specs_at
from tests.acceptance.simulated import LOOPS, READ_BACK, Order, lacking, samples_of

SEED = 20_260_302
SHA = "5d1f0c2a9b7e4d3386a0f1e2c4b5a697880123456789abcdef0123456789abcd"
NOW = 1_800_000_000 + 34 * 3600
"""2027-01-16 18:00 UTC, noon at the terminal."""
HOURS = 30
JUDGED_S = 12 * 3600
"""How far back the engine judges; what is older is only stored [s]."""
KEPT = "live.pickle"
"""The live state beside the history, so that a folder can be shown again without making it anew."""

Story = Mapping[str, Sequence[Order]]


def story(hours: int) -> Story:
    """Faults by loop: a range changed five hours ago, a total that loses since three, a cable that was off for a while."""
    end = hours * 3600
    return {
        "TB-07": (Order(end - 5 * 3600 + 700, "upper-range@plc"),),
        "TB-08": (
            Order(end - 9 * 3600, "zero-counts"), Order(end - 9 * 3600 + 1500, "zero-counts", False),
            Order(end - 3 * 3600, "total-time-base"),
        ),
        "TB-09": (Order(end - 7 * 3600, "detector-temperature"), Order(end - 7 * 3600 + 2400, "detector-temperature", False)),
    }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Populated:
    """What the application is made from."""

    site: Site
    live: LiveState
    store: SqliteStore
    desk: AlertBook
    records: RecordDesk
    clock: ManualClock

    def app(self) -> FastAPI:
        """The application over it."""
        return create_app(self.live, self.store, self.desk, self.clock, records=self.records)


def terminal_site(now: int, hours: int) -> Site:
    """The terminal, TB-07 without the tags that read its ranges back: there a range must be found by the flow alone."""
    text = site_text(specs_at(fresh(now - hours * 3600)), dict.fromkeys(LOOPS, 1502), "opc.tcp://127.0.0.1:4840")
    site = parse_site(text, "terminal.yaml").site
    return lacking(site.model_copy(update={"time_zone": "America/Regina"}), "TB-07", READ_BACK)


def populate(folder: Path, hours: int = HOURS, *, now: int = NOW, faults: Story | None = None) -> Populated:
    """Make the past of `hours` before `now` [epoch s] in a folder, or open one that was made before.

    `faults` by loop in place of the usual story. The clock stands two seconds behind the last sample.
    """
    begin = now - hours * 3600
    site = terminal_site(now, hours)
    clock = ManualClock(now + 2.0)
    store = open_store(folder, site, clock=clock)
    desk = AlertBook(store.state, ())
    kept = folder / KEPT
    if kept.exists():
        evaluations, standing, readings, endpoints = pickle.loads(kept.read_bytes())
        live = LiveState(
            site=site, site_sha256=SHA, started=begin, evaluations=evaluations, standing=standing, readings=readings,
            endpoints=endpoints,
        )  # fmt: skip
        return Populated(site=site, live=live, store=store, desk=desk, records=_records(site, store, desk, clock), clock=clock)
    live = LiveState(site=site, site_sha256=SHA, started=begin)
    for loop in site.loops:
        orders = (story(hours) if faults is None else faults).get(loop, ())
        _past_of(loop, site, (begin, hours), orders, store, desk, live)
    for name, endpoint in site.endpoints.items():
        live.endpoints[name] = EndpointStatus(
            name=name, protocol=endpoint.protocol, state=EndpointState.UP, since=begin, last_good=now + 1.5, rtt_s=0.0042,
            polls=hours * 3600, timeouts=3,
        )  # fmt: skip
    store.add_event(Event(time=now - 6.0 * 3600, loop="TB-07", kind="config-change", text="site file changed"))
    store.annotate(
        Annotation(
            loop="TB-09", begin=now - 7 * 3600, end=now - 6 * 3600, state=LoopState.MAINTENANCE, by="R. Ortega",
            reason="housing opened to change the fan", made=float(now - 3600),
        )
    )  # fmt: skip
    records = _records(site, store, desk, clock)
    shift = periods.current(site, "shift", now)
    records.report("TB-07", "shift", shift, by="R. Sandhu")
    over = [item for item in desk.past(begin, now) if item.returned is not None]
    for item in over[:1]:
        desk.acknowledge(item.id, by="R. Sandhu", now=float(item.returned or now))
    kept.write_bytes(pickle.dumps((live.evaluations, live.standing, live.readings, live.endpoints)))
    return Populated(site=site, live=live, store=store, desk=desk, records=_records(site, store, desk, clock), clock=clock)


def _records(site: Site, store: SqliteStore, desk: AlertBook, clock: ManualClock) -> RecordDesk:
    book = RecordBook(store.state)
    balances = Accountant(site, SHA, store, desk.past, clock, book)
    sources = Sources(
        site=site, site_sha256=SHA, store=store, past=desk.past, versions=store.ledger.config_versions, clock=clock,
        balances=balances,
    )  # fmt: skip
    return RecordDesk(book, sources)


def _past_of(
    loop: str,
    site: Site,
    span: tuple[int, int],
    orders: Sequence[Order],
    store: SqliteStore,
    desk: AlertBook,
    live: LiveState,
) -> None:
    begin, hours = span
    engine, tracker = LoopEngine(site, loop, site_sha256=live.site_sha256), EpisodeTracker(site, loop)
    into = LoopImport(store, site, loop, now=float(begin + hours * 3600))
    without = READ_BACK if loop == "TB-07" else ()
    last: Samples | None = None
    for samples in samples_of(loop, begin, hours * 3600, SEED, orders, without):
        into.push(samples)
        judged = int(samples.time_s[0]) >= begin + hours * 3600 - JUDGED_S
        for evaluation in engine.push(samples, evaluate=judged):
            changes = tracker.update(evaluation)
            if changes:
                desk.take(changes, now=float(evaluation.time_s))
        store.add_empties(loop, engine.empties.take())
        last = samples
    into.finish()
    latest = engine.look()
    if latest is not None:
        live.take_evaluation(latest)
        live.standing[loop] = tuple(episode.finding for episode in tracker.open)
    if last is not None:
        live.take_readings([_reading(last, role) for role in site.loops[loop].tags if role in last.values])


def _reading(samples: Samples, role: str) -> Reading:
    value = float(samples.values[role][-1])
    return Reading(
        loop=samples.loop, role=role, value=value, quality=0, receive_time=float(samples.time_s[-1]) + 1.4, raw=(value,)
    )
