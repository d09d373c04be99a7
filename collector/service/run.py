"""The service: read the site file, start everything, wait for a signal, stop in order."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import logging
import os
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from collector import logs
from collector.access.desk import Access
from collector.accounts.closing import Accountant
from collector.cli import exits
from collector.clock import Clock, SystemClock
from collector.data_folder import data_folder
from collector.history.bulk import bulk_import
from collector.history.store import Store
from collector.history.tiers import TieredStore
from collector.live import EndpointStatus, LiveState
from collector.past.laying import Laying, Past
from collector.publish.publisher import publisher_of
from collector.reading import ReadingSink
from collector.records.book import RecordBook
from collector.records.desk import RecordDesk
from collector.records.scheduled import ScheduledReports
from collector.records.sources import Sources
from collector.service.assembly import EventTeller, Poller, Service
from collector.service.kept import Kept, open_history
from collector.service.locked import require_account, tls_of
from collector.service.notifying import Notifier
from collector.service.serving import Serving, bind
from collector.service.supervisor import Stage
from collector.sources.build import build_pollers
from collector.web.app import create_app
from collector.web.overview import loop_lines, summary
from config.errors import StoreError
from config.load import LoadedSite, load_site
from config.web import Web

LOOK_BACK_S = 400 * 86400.0
"""How far the last start is looked for in the ledger [s]."""
SWITCH_S = 0.001
"""How long a thread may go on while another wants to [s]: at the 5 ms of the interpreter, each read or statement of the event loop
waits so long for the thread that verifies."""
COLLECT_AFTER = (10_000, 20, 50)
"""Thresholds of the garbage collector: what a site needs for good is frozen at the start, for to walk through that of 120 loops again
stopped every thread for a quarter of a second."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceOptions:
    """What `tallywire run` is told.

    `data` None is `$STATE_DIRECTORY`, else the user data folder; `port` overrides the site file's (0: any free one, printed);
    `log_format` is `json` or `text`; `history` are recorded files that are brought into the history before the start and then removed;
    `past` is laid down before it while the service runs.
    """

    site: Path
    data: Path | None = None
    port: int | None = None
    log_format: str = "json"
    history: list[Path] = field(default_factory=list)
    past: Past | None = None


async def run_service(options: ServiceOptions) -> int:
    """Run until SIGTERM or SIGINT and return the exit code: 0, 130 after SIGINT, 70 where a part of the service died.

    Raises
    ------
    TallywireError
        The site file, the data folder or the address of the page cannot be used.
    """
    logs.set_up(options.log_format)
    return await run_loaded(options, load_site(options.site))


async def run_loaded(options: ServiceOptions, loaded: LoadedSite) -> int:
    """The same for a site that has been read already; `options.site` is not looked at."""
    sys.setswitchinterval(SWITCH_S)
    clock = SystemClock()
    data = data_folder(options.data, loaded.site)
    web = loaded.site.web
    tls = tls_of(web)
    listening = bind(
        web.host, web.port if options.port is None else options.port, locked=tls is not None or bool(web.behind_proxy)
    )
    with contextlib.closing(listening):
        serving = Serving(listening, tls=tls)
        kept = open_history(data, loaded, clock, page=page_of(web, serving.port))
        try:
            return await _serve(options, loaded, data, kept, clock, serving)
        finally:
            kept.store.close()


async def _serve(options: ServiceOptions, loaded: LoadedSite, data: Path, kept: Kept, clock: Clock, serving: Serving) -> int:
    store = kept.store
    for path in options.history:
        await asyncio.to_thread(bulk_import, store, loaded.site, path, now=clock.now())
        await asyncio.to_thread(path.unlink)
    access = Access.open(store.state, clock, loaded.site.web)
    await asyncio.to_thread(require_account, loaded.site.web, access.accounts)
    await asyncio.to_thread(access.accounts.any)  # known from here on, also where the database goes away
    live = LiveState(loaded.site, loaded.sha256, str(loaded.path))
    alerting = kept.alerting(loaded.site, live, clock, page_of(loaded.site.web, serving.port))

    def pollers(sink: ReadingSink, statuses: dict[str, EndpointStatus], tell: EventTeller) -> Sequence[Poller]:
        return build_pollers(loaded.site, sink, clock, statuses, tell)

    book = RecordBook(store.state)
    sources = Sources(
        site=loaded.site, site_sha256=loaded.sha256, store=store, past=alerting.desk.past, versions=store.ledger.config_versions,
        clock=clock, balances=Accountant(loaded.site, loaded.sha256, store, alerting.desk.past, clock, book),
    )  # fmt: skip
    reports = ScheduledReports(sources, book)
    service = Service(
        loaded,
        store,
        alerting,
        pollers,
        live,
        clock,
        web=serving,
        reports=reports,
        share=kept.share(loaded, live, clock, alerting),
    )
    if options.past is not None:
        laying = Laying(options.past, loaded.path, data, store.state, clock, store.add_event, live.notes)
        service.supervisor.add("past", laying.run, stage=Stage.INTAKE, restart=True)
    serving.app = create_app(
        live,
        store,
        alerting.desk,
        clock,
        port=serving.port,
        records=RecordDesk(book, sources),
        folder=data,
        access=access,
        deliveries=alerting.deliveries,
    )
    publisher = publisher_of(live, clock)
    if publisher is not None:
        await publisher.open()
        service.supervisor.add("publishing", publisher.run, stage=Stage.INTAKE, restart=True)
    notifier = Notifier(os.environ, clock, lambda: summary(loop_lines(live, clock.now())))
    if notifier.active:
        service.supervisor.add("notifying", notifier.run, stage=Stage.INTAKE, restart=True)
    with _signals(service.supervisor.request_stop) as received:
        await asyncio.to_thread(_note_start, service, store, loaded, clock)
        await asyncio.to_thread(_note_config, store, loaded, clock)
        _say_start(service, loaded, data, serving.port)
        notifier.say("READY=1", f"STATUS={summary(loop_lines(live, clock.now()))}")
        before = gc.get_threshold()
        gc.collect()
        gc.freeze()
        gc.set_threshold(*COLLECT_AFTER)
        try:
            await service.run()
        finally:
            gc.set_threshold(*before)
            gc.unfreeze()
    logs.event(logging.INFO, "stopped", "the service has stopped", signal=received[0].name if received else "")
    if service.supervisor.failed:
        return exits.INTERNAL_ERROR
    return exits.INTERRUPTED if signal.SIGINT in received else exits.NO_FINDING


def page_of(web: Web, port: int) -> str:
    """What people open; a proxy is asked at its own port, which nobody knows here."""
    return web.address if web.behind_proxy else f"{web.address}:{port}"


@contextlib.contextmanager
def _signals(request_stop: Callable[[], None]) -> Iterator[list[signal.Signals]]:
    """Ask for the stop on the first SIGTERM or SIGINT and give both back, so that a second one ends the process at once."""
    loop = asyncio.get_running_loop()
    received: list[signal.Signals] = []
    handled = (signal.SIGTERM, signal.SIGINT)

    def give_back() -> None:
        for sign in handled:
            loop.remove_signal_handler(sign)
            signal.signal(sign, signal.SIG_DFL)

    def take(sign: signal.Signals) -> None:
        received.append(sign)
        give_back()
        logs.event(logging.INFO, "stopping", "the service stops; a second signal ends it at once", signal=sign.name)
        request_stop()

    for sign in handled:
        loop.add_signal_handler(sign, take, sign)
    try:
        yield received
    finally:
        if not received:
            give_back()


def _note_start(service: Service, store: Store, loaded: LoadedSite, clock: Clock) -> None:
    """Write the start into the ledger, and a change of the site file since the last one, with both hashes."""
    now = clock.now()
    starts = [entry for entry in store.events(now - LOOK_BACK_S, now + LOOK_BACK_S, "") if entry.kind == "service-start"]
    if starts and starts[-1].new != loaded.sha256:
        old = starts[-1].new
        text = f"the site file has changed since the last start ({old[:12]} -> {loaded.sha256[:12]})"
        service.keeper.keep_event("config-change", text, old=old, new=loaded.sha256)
        logs.event(logging.WARNING, "config-change", text, old=old, new=loaded.sha256)
    service.keeper.keep_event("service-start", f"started with {loaded.path.name}", new=loaded.sha256)


def _note_config(store: TieredStore, loaded: LoadedSite, clock: Clock) -> None:
    """Keep the text of the site file in force; a disk that is full at this moment does not keep the service from starting."""
    try:
        store.ledger.note_config(loaded.sha256, loaded.text, now=clock.now())
    except StoreError as error:
        logs.event(logging.ERROR, "config-not-kept", "the site file in force cannot be kept", reason=str(error))


def _say_start(service: Service, loaded: LoadedSite, data: Path, port: int) -> None:
    page = page_of(loaded.site.web, port)
    published = service.live.published
    sys.stdout.write(
        "".join([f"page: {page}\n", *(f"published over {name}: {at}\n" for name, at in sorted(published.items()))])
    )
    sys.stdout.flush()
    for warning in loaded.warnings:
        logs.event(logging.WARNING, "site-file", " ".join(str(warning).split()))
    logs.event(
        logging.INFO,
        "started",
        "the service has started",
        site=loaded.site.site,
        site_sha256=loaded.sha256,
        loops=len(loaded.site.loops),
        data=str(data),
        page=page,
        published=" ".join(published.values()) or "nothing",
    )
