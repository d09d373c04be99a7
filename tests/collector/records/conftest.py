"""A history of the invented terminal: ten hours of TB-07, healthy, as a service would have stored them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from collector.alerts.model import Alert
from collector.clock import ManualClock
from collector.history.bulk import import_samples
from collector.history.sqlite import SqliteStore, open_store
from collector.records.book import RecordBook
from collector.records.sources import Sources
from config.model import Report, Site
from tests.checks.runs_of_terminal import BEGIN, run_of, terminal

HOURS = 10.0
END = BEGIN + int(HOURS * 3600)
"""2027-01-15 18:00 UTC: the shift from 06:00 is over, the one from 14:00 is not."""


@dataclass
class Terminal:
    """The site with its history, alerts by hand and a clock by hand."""

    store: SqliteStore
    clock: ManualClock
    site: Site
    alerts: list[Alert] = field(default_factory=list)

    @property
    def sources(self) -> Sources:
        return Sources(
            site=self.site, site_sha256="5d1f" * 16, store=self.store, past=self.past, versions=self.store.ledger.config_versions,
            clock=self.clock,
        )  # fmt: skip

    @property
    def book(self) -> RecordBook:
        return RecordBook(self.store.state)

    def past(self, begin: float, end: float, most: int) -> Sequence[Alert]:
        return [item for item in self.alerts if begin <= item.raised < end][:most]

    def ask_for(self, **reports: Report) -> None:
        """Put reports into the site."""
        named = {name.replace("_", "-"): report for name, report in reports.items()}
        self.site = self.site.model_copy(update={"reports": named})


@contextmanager
def laid_down(folder: Path) -> Iterator[Terminal]:
    """The ten hours in a folder, open until the block ends."""
    site, clock = terminal(), ManualClock(float(END + 60))
    store = open_store(folder, site, clock=clock)
    import_samples(store, site, "TB-07", [run_of(hours=HOURS)], now=clock.now())
    store.ledger.note_config("ab" * 32, "schema: 1", now=float(BEGIN - 7200))
    store.ledger.note_config("cd" * 32, "schema: 1", now=float(BEGIN + 3600))
    try:
        yield Terminal(store, clock, site)
    finally:
        store.close()


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Terminal]:
    with laid_down(tmp_path_factory.mktemp("history")) as laid:
        yield laid


@pytest.fixture
def own_history(tmp_path: Path) -> Iterator[Terminal]:
    """A history of one test's own, which it may correct."""
    with laid_down(tmp_path / "history") as laid:
        yield laid


@pytest.fixture
def history(recorded: Terminal) -> Terminal:
    """The same history for every test of a module, without alerts and reports, one minute after its end; records stay."""
    return Terminal(recorded.store, ManualClock(float(END + 60)), recorded.site)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "reports"


def raised(alert: Alert, begin: int, *, end: int | None = None, tonnes: float = -186.2) -> Alert:
    """An alert whose finding begins and ends then."""
    found = replace(alert.finding, begin=begin, begin_interval=(begin - 60, begin + 60), end=end, tonnes=tonnes, by_shift=())
    return replace(alert, id=f"a-{begin}", finding=found, raised=begin + 90.0, active=end is None, returned=end)
