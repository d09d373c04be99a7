"""The alarm system and the outbox as metrics: figures of the last 24 h, and what waits to be delivered."""

from __future__ import annotations

from collections.abc import Iterator

from prometheus_client.core import GaugeMetricFamily, Metric

from collector.alerts.desk import AlertDesk
from collector.alerts.performance import Performance
from collector.delivery.desk import DeliveryDesk

DAY_S = 86400.0
RATIOS = {
    "flood": ("tallywire_alarm_flood_ratio", "Share of the last 24 h in a flood of alerts."),
    "crowded": ("tallywire_alarm_crowded_ratio", "Share of ten-minute stretches of the last 24 h with more than 10 alerts."),
}
"""Figures in percent, told as ratios."""
COUNTS = {
    "peak": ("tallywire_alarm_peak_10_minutes", "Most alerts in ten minutes of the last 24 h."),
    "chattering": ("tallywire_alarm_chattering", "Alerts that came three times in a minute in the last 24 h."),
    "stale": ("tallywire_alarm_stale", "Alerts that have stood for more than 24 h."),
}


REMEMBERED_S = 60.0
"""How long the figures are not counted anew [s]: a scrape comes every few seconds, a flood has thousands of alerts."""


class AlarmMetrics:
    """The alarm system and, where there are any, the deliveries."""

    def __init__(self, desk: AlertDesk, deliveries: DeliveryDesk | None = None) -> None:
        self._desk, self._deliveries = desk, deliveries
        self._known: tuple[float, Performance] | None = None

    def families(self, now: float) -> Iterator[Metric]:
        """The metrics at a moment [epoch s]; a figure that cannot be said is left out."""
        if self._known is None or not 0.0 <= now - self._known[0] < REMEMBERED_S:
            self._known = now, self._desk.performance(now - DAY_S, now)
        found = self._known[1]
        values = {item.name: item.value for item in found.figures}
        yield GaugeMetricFamily(
            "tallywire_alarm_annunciations_last_day", "Times that an alert began to ask for attention in the last 24 h.",
            value=found.count,
        )  # fmt: skip
        for name, (family, text) in COUNTS.items():
            if (value := values.get(name)) is not None:
                yield GaugeMetricFamily(family, text, value=value)
        for name, (family, text) in RATIOS.items():
            if (value := values.get(name)) is not None:
                yield GaugeMetricFamily(family, text, value=value / 100.0)
        holds = GaugeMetricFamily("tallywire_alert_holds", "Orders in force that silence alerts.", labels=["kind"])
        in_force = self._desk.holds()
        for kind in ("out-of-service", "accepted"):
            holds.add_metric([kind], sum(item.kind.value == kind for item in in_force))
        yield holds
        if self._deliveries is not None:
            outbox = GaugeMetricFamily(
                "tallywire_outbox_messages", "Messages that wait for delivery or were given up.", labels=["delivery", "state"]
            )
            for line in self._deliveries.lines():
                outbox.add_metric([line.name, "waiting"], line.tally.waiting)
                outbox.add_metric([line.name, "dead"], line.tally.dead)
            yield outbox
