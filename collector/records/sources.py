"""What reports are made from: the site, the history, the alerts, and who knows the balance of a period."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from checks.accounting.balance import PeriodBalance
from checks.accounting.bridge import Bridge
from checks.accounting.calendar import Period
from collector.alerts.model import Alert
from collector.clock import Clock
from collector.history.ledger import ConfigVersion
from collector.history.store import Store
from config.model import Site


class Balances(Protocol):
    """Knows the tonnes of a period with stand-ins and uncertainty."""

    def account(self, loop: str, period: Period) -> tuple[PeriodBalance, Bridge | None] | None:
        """The balance of a loop, and the way from booked to best where the PLC booked; None where nothing can be said."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Sources:
    """The site with its history. `past` gives the alerts raised in a time, at most so many, newest first."""

    site: Site
    site_sha256: str
    store: Store
    past: Callable[[float, float, int], Sequence[Alert]]
    versions: Callable[[], Sequence[ConfigVersion]]
    clock: Clock
    balances: Balances | None = None
