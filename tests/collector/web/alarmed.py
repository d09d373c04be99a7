"""The application over a real book of alerts and a real outbox."""

from __future__ import annotations

from pathlib import Path

from checks.finding import UNKNOWN
from checks.result import Link
from collector.alerts.book import AlertBook
from collector.alerts.policy import policy_of
from collector.clock import ManualClock
from collector.delivery.desk import DeliveryDesk
from collector.delivery.outbox import targets_of
from collector.history.outbox_rows import OutboxRows
from collector.history.state import StateDb
from collector.web.app import create_app
from config.deliveries import Tell, WebhookDelivery
from tests.collector.alerts.raised import change, finding
from tests.collector.web import plant
from tests.collector.web.conftest import Served

DAY = 86400.0
URL = "https://on-call.terminal.example/hooks/s3cr3t-path"


class Alarmed(Served):
    """TB-07 differs and came back once; the PLC of all loops is lost; two deliveries, one of them with an escalation.

    The environment must hold `ON_CALL_URL`.
    """

    def __init__(self, folder: Path, *, port: int | None = 8460) -> None:
        live = plant.faulty()
        tells = {"shift": Tell(digest="07:00"), "on-call": Tell(priorities=("high",), after=900.0)}
        deliveries = {name: WebhookDelivery(kind="webhook", url_env="ON_CALL_URL", tell=tell) for name, tell in tells.items()}
        live.site = live.site.model_copy(update={"deliveries": deliveries})
        self.state = StateDb(folder / "state.db")
        self.book = AlertBook(self.state, policy_of(live.site))
        self.outbox = OutboxRows(self.state)
        now = plant.NOW
        found = finding(begin=int(now) - 4000, cause="upper-range")
        self.book.take([change(found=found)], now=now - 3900)
        self.book.take([change("returned", found)], now=now - 3500)
        self.book.take([change(found=found, number=2)], now=now - 3000)
        for loop in ("TB-07", "TB-08", "TB-09"):
            lost = finding(
                loop=loop, link=Link.COMMUNICATION, cause=UNKNOWN, title="PLC is not read", rate_error_t_h=None, evidence=(),
                begin=int(now) - 900,
            )  # fmt: skip
            self.book.take([change(found=lost)], now=now - 800)
        clock, store = ManualClock(now), plant.MemoryStore()
        desk = DeliveryDesk(self.state, live.site, targets_of(live.site))
        app = create_app(live, store, self.book, clock, port=port, deliveries=desk)
        super().__init__(app, live, plant.MemoryDesk(), store, clock)

    def close(self) -> None:
        """Close the database."""
        self.state.close()
