"""A loop with a stored run of a known mass whose every number can be reckoned by hand, behind the application."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np

from checks.samples import GOOD, Samples
from collector.history.sqlite import SqliteStore, open_store
from collector.records.book import RecordBook
from collector.records.desk import RecordDesk
from collector.records.sources import Sources
from collector.web.app import create_app
from config.ledger import Ledger, MaterialTestEntry, SpanEntry, TareEntry
from config.model import Drive, FlowRange, Gauge, SealedSource, Site
from tests.collector.commissioning.instant import Instant
from tests.collector.web import plant
from tests.collector.web.conftest import Served

LOOP = "TB-07"
MIDNIGHT = int(datetime(2026, 3, 2, 6, tzinfo=UTC).timestamp())
"""2026-03-02 00:00 in Regina (UTC-6 all year, IANA tz database)."""
SIX = MIDNIGHT + 6 * 3600
NOW = float(MIDNIGHT + 8 * 3600)
GAUGE = Gauge(
    range=FlowRange(low=0, high=420), nuclide="Cs-137", reference_date=date(2026, 3, 2), empty_belt_rate=5200.0, background=60.0,
    load_per_attenuation=153.85, belt_length=240.0,
    source=SealedSource(
        identity="PT-0712", activity=1.85e9, activity_date=date(2024, 2, 20), shutter_check_due=date(2026, 2, 20), leak_test_due=date(2026, 3, 20)
    ),
)  # fmt: skip


def ledger() -> Ledger:
    """A tare, a span run and two material tests; 00:00 to 04:00 local time."""

    def at(hour: int) -> datetime:
        return datetime.fromisoformat(f"2026-02-28 {hour:02}:00")

    return Ledger(
        tares=(TareEntry(loop=LOOP, begin=at(0), end=at(1), rate=5200.0, rate_before=5226.0, turns=3),),
        spans=(
            SpanEntry(
                loop=LOOP,
                begin=at(1),
                end=at(2),
                mass=102.0,
                gauge=100.0,
                uncertainty=0.1,
                factor_before=150.0,
                factor_after=153.0,
            ),
        ),
        material_tests=(
            MaterialTestEntry(
                loop=LOOP,
                begin=at(2),
                end=at(3),
                reference=200.0,
                uncertainty=0.2,
                gauge=201.0,
                moisture=0.4,
                factor_before=150.75,
            ),
            MaterialTestEntry(loop=LOOP, begin=at(3), end=at(4), reference=200.0, uncertainty=0.2, gauge=199.0),
        ),
    )


def site(*, entries: Ledger | None = None) -> Site:
    """The plant of the page tests with a gauge that is wholly declared on TB-07."""
    found = plant.site()
    loop = found.loops[LOOP].model_copy(update={"gauge": GAUGE, "drive": Drive(speed_at_nominal=1.9)})
    update: dict[str, object] = {"loops": {**found.loops, LOOP: loop}}
    return found.model_copy(update=update if entries is None else {**update, "ledger": entries})


def flow(hours: float = 2.0) -> Samples:
    """From 05:30 on: nothing; 06:00 to 06:05 half a load of 150 t/h, 300 t/h until 06:55, 150 t/h until 07:00, then nothing."""
    begin = SIX - 1800
    time = np.arange(begin, begin + int(hours * 3600), dtype=np.int64)
    second = time - SIX
    values = np.select([(second >= 300) & (second < 3300), (second >= 0) & (second < 3600)], [300.0, 150.0], 0.0)
    roles = {
        "flow": values,
        **{role: np.full(len(time), 1.0) for role in ("count_rate", "ai_raw", "plc_flow", "drive_running")},
    }
    quality = {role: np.full(len(time), GOOD, np.uint8) for role in roles}
    return Samples(loop=LOOP, time_s=time, values=roles, quality=quality, flags=np.zeros(len(time), np.uint8))


@dataclass
class Weighed(Served):
    """The application with a real history and a book."""

    book: RecordBook | None = None
    history: SqliteStore | None = None


def weighed(folder: Path, *, entries: Ledger | None = None) -> Weighed:
    """The application over the stored run."""
    clock, desk = Instant(NOW), plant.MemoryDesk()
    live = replace(plant.healthy(NOW), site=site(entries=entries))
    store = open_store(folder, live.site, clock=clock)
    store.append([flow()])
    book = RecordBook(store.state)
    sources = Sources(site=live.site, site_sha256=plant.SHA, store=store, past=desk.past, versions=list, clock=clock)
    app = create_app(live, store, desk, clock, port=8460, records=RecordDesk(book, sources), folder=folder / "checks")
    return Weighed(app=app, live=live, desk=desk, store=plant.MemoryStore(), clock=clock, book=book, history=store)
