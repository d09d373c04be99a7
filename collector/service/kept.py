"""The history as the service opens it: of its own, or shared with other collectors; and what follows from that."""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

from collector.clock import Clock
from collector.history import sqlite
from collector.history.layout import Layout
from collector.history.leases import Leases
from collector.history.postgres import PostgresStore, make_folders, open_state
from collector.history.tiers import TieredStore
from collector.live import LiveState
from collector.service.alerting import Alerts, open_alerting
from collector.service.assembly import Service, Share
from collector.service.shared_alerts import SharedAlerts, open_shared_alerting
from collector.service.sharing import Poller, Sharing, units_of
from collector.sources.build import build_poller, silence_libraries
from config.load import LoadedSite
from config.model import Site


@dataclass(frozen=True, slots=True)
class Kept:
    """An open history, with the leases where it is shared."""

    store: TieredStore
    leases: Leases | None = None

    def alerting(self, site: Site, live: LiveState, clock: Clock, page: str) -> Alerts:
        """The alerts over this history."""
        if self.leases is None or not isinstance(self.store, PostgresStore):
            return open_alerting(site, self.store.state, live, clock, page=page)
        return open_shared_alerting(site, self.store.database, self.leases, live, clock, page=page)

    def share(self, loaded: LoadedSite, live: LiveState, clock: Clock, alerting: Alerts) -> Share | None:
        """What makes the task that holds the leases; None where this is the only collector."""
        leases, store = self.leases, self.store
        if leases is None or not isinstance(store, PostgresStore) or not isinstance(alerting, SharedAlerts):
            return None

        def make(service: Service, executor: Executor) -> Sharing:
            def poller(site: Site, name: str) -> Poller | None:
                return build_poller(site, name, service.closing.sink, clock, live.endpoints, service.tell)

            silence_libraries()
            return Sharing(
                leases, loaded, store, live, clock, executor, closing=service.closing, verifying=service.verifying,
                keeper=service.keeper, alerting=alerting, supervisor=service.supervisor, make_poller=poller,
            )  # fmt: skip

        return make


def open_history(data: Path, loaded: LoadedSite, clock: Clock, *, page: str) -> Kept:
    """Open the history of a service.

    Raises
    ------
    TallywireError
        The data folder or the database cannot be used.
    """
    site = loaded.site
    if not site.history.shared:
        return Kept(sqlite.open_store(data, site, clock=clock))
    layout = Layout(data, site.history.archive)
    make_folders(layout)
    state = open_state(site)
    try:
        leases = Leases(state, units_of(site), clock, page=page, site_sha256=loaded.sha256)
        return Kept(PostgresStore(layout, site, state, clock, leases), leases)
    except BaseException:
        state.close()
        raise
