"""The application over a history that is known by hand, with a book of records."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from fastapi import FastAPI

from checks.result import Link
from collector.clock import Clock
from collector.history.state import StateDb
from collector.live import LiveState
from collector.records.book import RecordBook
from collector.records.desk import RecordDesk
from collector.records.sources import Sources
from collector.web.app import create_app
from tests.collector.accounts.histories import Kept, alert, at, joined, steady
from tests.collector.web import plant

BEGIN = at("2026-02-24T12:00")
"""06:00 in Regina, which is six hours behind UTC all year."""
NOW = at("2026-03-03T18:00")
FAULT = at("2026-02-26T12:00")


def history() -> Kept:
    """Seven days at 240 t/h: after two of them the PLC of TB-07 books 84 %; an hour without the gauge, one without anything.
    TB-08 agrees; of TB-09 nothing is stored."""
    days = (FAULT - BEGIN) / 3600
    rest = (NOW - FAULT) / 3600
    first = steady(BEGIN, days, gauge=1.001)
    second = steady(FAULT, rest, plc=0.84, gauge=1.001, silent=((26.0, 27.0),), lost=((50.0, 50.5),))
    return Kept(minutes={"TB-07": joined(first, second), "TB-08": steady(BEGIN, days + rest, plc=1.0005, loop="TB-08")})


def desk() -> plant.MemoryDesk:
    """The finding of that difference, and one at the gauge that both ends hold."""
    hours = (NOW - FAULT) / 3600
    between = alert(FAULT, None, tonnes=-0.16 * 240 * hours, uncertainty=24.0)
    at_gauge = alert(
        FAULT, None, link=Link.LOAD, cause="stale-tare", title="stale tare", tonnes=1.5 * hours, uncertainty=40.0
    )  # fmt: skip
    return plant.MemoryDesk(between, replace(at_gauge, id="TB-07-tare"))


def application(live: LiveState, folder: Path, clock: Clock, store: Kept | None = None) -> FastAPI:
    """The pages over this history; `folder` holds the state database of the records."""
    store, alerts = store or history(), desk()
    book = RecordBook(StateDb(folder / "state.db"))
    sources = Sources(site=live.site, site_sha256=live.site_sha256, store=store, past=alerts.past, versions=list, clock=clock)
    return create_app(live, store, alerts, clock, port=8460, records=RecordDesk(book, sources))
