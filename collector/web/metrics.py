"""/metrics for Prometheus: everything is made from the live state at the moment of the scrape, nothing is kept between.

Units are base units (seconds, kilograms, ratios). Labels are ids of the site file, links, causes and states; no label holds
a number or a text that people typed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from importlib.metadata import version

from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily, Metric
from prometheus_client.exposition import choose_encoder
from prometheus_client.registry import Collector

from checks.result import Verdict
from collector.alerts.desk import AlertDesk
from collector.alerts.model import AlertState, Priority
from collector.live import EndpointState, EndpointStatus, LiveState
from collector.web.overview import marks
from collector.web.words import finite

KNOWN_COUNTERS = {
    "late_readings": "Readings that came after their second was closed.",
    "check_errors": "Checks that raised instead of answering.",
    "history_errors": "Writes to the history that failed.",
    "queue_dropped": "Samples that the history could not take in time.",
    "clock_steps": "Steps of the wall clock.",
}
"""Counters that are always there, from 0; any other counter of the service follows under its own name."""

KG_PER_T = 1000.0


class LiveCollector(Collector):
    """Turns the live state and the standing alerts into metric families."""

    def __init__(
        self,
        live: LiveState,
        desk: AlertDesk,
        availability: Mapping[str, float] | None = None,
        alarms: Iterable[Metric] = (),
    ) -> None:
        self._live, self._desk, self._availability, self._alarms = live, desk, availability or {}, alarms

    def describe(self) -> Iterable[Metric]:
        return ()

    def collect(self) -> Iterator[Metric]:
        yield InfoMetricFamily("tallywire_build", "Version of the service.", value={"version": version("tallywire")})
        yield _one("tallywire_start_timestamp_seconds", "When the service started.", self._live.started)
        yield from self._loops()
        yield self._links()
        yield from self._findings()
        yield self._alerts()
        yield from self._alarms
        yield from self._totals()
        yield from self._endpoints()
        yield from self._service()
        if self._availability:
            family = GaugeMetricFamily(
                "tallywire_availability_ratio",
                "Share of required time with a usable flow over the last 30 days, read once an hour.",
                labels=["loop"],
            )
            for loop, share in sorted(self._availability.items()):
                family.add_metric([loop], share)
            yield family

    def _loops(self) -> Iterator[Metric]:
        verdicts = GaugeMetricFamily(
            "tallywire_loop_verdict", "1 for the verdict that a loop has, 0 for the others.", labels=["loop", "verdict"]
        )
        times = GaugeMetricFamily(
            "tallywire_evaluation_timestamp_seconds", "End of the last block that was evaluated.", labels=["loop"]
        )
        held = GaugeMetricFamily(
            "tallywire_loop_suppressed", "1 while alerts of a loop are held back by design.", labels=["loop"]
        )
        links = GaugeMetricFamily(
            "tallywire_link_verdict", "1 for the verdict that a link has, 0 for the others.", labels=["loop", "link", "verdict"]
        )
        for loop in sorted(self._live.site.loops):
            evaluation = self._live.evaluations.get(loop)
            current = evaluation.verdict if evaluation else Verdict.NOT_EVALUATED
            for verdict in Verdict:
                verdicts.add_metric([loop, verdict.value], float(verdict is current))
            if evaluation is None:
                continue
            times.add_metric([loop], evaluation.time_s)
            held.add_metric([loop], float(bool(evaluation.suppressed)))
            for mark in marks(evaluation):
                for verdict in Verdict:
                    links.add_metric([loop, mark.link.value, verdict.value], float(verdict is mark.verdict))
        yield from (verdicts, times, held, links)

    def _links(self) -> Metric:
        family = GaugeMetricFamily(
            "tallywire_link_deviation_span_ratio",
            "What a link shows minus what it should show, as a ratio of span (0.005 is 0.5 %); the largest of the link.",
            labels=["loop", "link"],
        )
        for loop, evaluation in sorted(self._live.evaluations.items()):
            for mark in marks(evaluation):
                found = [value for row in mark.numbers if (value := finite(row.deviation_span)) is not None]
                if found:
                    family.add_metric([loop, mark.link.value], round(max(found, key=abs) / 100, 12))
        return family

    def _findings(self) -> Iterator[Metric]:
        count = GaugeMetricFamily("tallywire_findings", "Findings that stand.", labels=["loop", "link", "cause"])
        mass = GaugeMetricFamily(
            "tallywire_finding_mass_error_kilograms",
            "Mass that the PLC booked minus the best estimate since the finding began.",
            labels=["loop", "link", "cause"],
        )
        for loop, evaluation in sorted(self._live.evaluations.items()):
            standing = [item for item in evaluation.findings if item.end is None]
            tally = Counter((item.link.value, item.cause) for item in standing)
            for (link, cause), number in sorted(tally.items()):
                count.add_metric([loop, link, cause], number)
                tonnes = [finite(item.tonnes) for item in standing if (item.link.value, item.cause) == (link, cause)]
                known = [value for value in tonnes if value is not None]
                if known:
                    mass.add_metric([loop, link, cause], sum(known) * KG_PER_T)
        yield from (count, mass)

    def _alerts(self) -> Metric:
        family = GaugeMetricFamily("tallywire_alerts", "Alerts that stand.", labels=["state", "priority"])
        tally = Counter((item.state, item.priority) for item in self._desk.standing())
        for state in AlertState:
            if state is not AlertState.NORMAL:
                for priority in Priority:
                    family.add_metric([state.value, priority.value], tally[state, priority])
        return family

    def _totals(self) -> Iterator[Metric]:
        mass = GaugeMetricFamily(
            "tallywire_horizon_mass_kilograms", "Mass since the horizon of the engine began.", labels=["loop", "total"]
        )
        blind = GaugeMetricFamily(
            "tallywire_horizon_not_measured_seconds", "Time without a usable flow in the same horizon.", labels=["loop"]
        )
        for loop, evaluation in sorted(self._live.evaluations.items()):
            totals = evaluation.totals
            named = {"gauge": totals.gauge_t, "plc": totals.plc_t, "own": totals.own_t, "best": totals.best_t}
            for name, value in named.items():
                tonnes = finite(value)
                if tonnes is not None:
                    mass.add_metric([loop, name], tonnes * KG_PER_T)
            if finite(totals.not_measured_s) is not None:
                blind.add_metric([loop], totals.not_measured_s)
        yield from (mass, blind)

    def _endpoints(self) -> Iterator[Metric]:
        known = [self._live.endpoints[name] for name in sorted(self._live.endpoints)]
        states = GaugeMetricFamily(
            "tallywire_endpoint_state", "1 for the state that a connection has.", labels=["endpoint", "protocol", "state"]
        )
        for item in known:
            for state in EndpointState:
                states.add_metric([item.name, item.protocol, state.value], float(state is item.state))
        yield _by_endpoint(
            "tallywire_endpoint_up",
            "1 while the endpoint answers.",
            known,
            {item.name: float(item.state in (EndpointState.UP, EndpointState.DEGRADED)) for item in known},
        )
        yield states
        for name, text in {
            "polls": "Polls sent.",
            "reconnects": "Connections made again.",
            "timeouts": "Polls without an answer in time.",
            "bad_frames": "Answers that could not be read.",
            "exceptions": "Answers that were refusals.",
            "skipped_slots": "Polls left out because the one before was still under way.",
        }.items():
            family = CounterMetricFamily(f"tallywire_endpoint_{name}", text, labels=["endpoint", "protocol"])
            for item in known:
                family.add_metric([item.name, item.protocol], getattr(item, name))
            yield family
        for name, field, text in (
            ("round_trip_seconds", "rtt_s", "Time of the last poll from request to answer."),
            ("lateness_seconds", "lateness_s", "How late the last poll left."),
            ("clock_skew_seconds", "clock_skew_s", "Clock of the endpoint minus ours."),
            ("last_good_timestamp_seconds", "last_good", "When the endpoint last answered well."),
            ("certificate_expiry_timestamp_seconds", "certificate_expires", "When its certificate ends."),
        ):
            values = {item.name: finite(getattr(item, field)) for item in known}
            yield _by_endpoint(f"tallywire_endpoint_{name}", text, known, values)

    def _service(self) -> Iterator[Metric]:
        counters = self._live.counters
        yield _one(
            "tallywire_event_loop_lag_seconds",
            "How late the event loop woke at its last look.",
            finite(counters.get("loop_lag_s", 0.0)) or 0.0,
        )
        others = {name: "Counter of the service." for name in sorted(counters) if name not in KNOWN_COUNTERS}
        for name, text in (KNOWN_COUNTERS | others).items():
            if not name.endswith("_s"):
                yield CounterMetricFamily(f"tallywire_{name}", text, value=counters.get(name, 0.0))
        problems = GaugeMetricFamily("tallywire_problem", "1 for each thing that the service lacks.", labels=["problem"])
        for key in sorted(self._live.problems):
            problems.add_metric([key], 1.0)
        yield problems
        if self._live.held is not None:
            yield _one("tallywire_loops_held", "Loops that this collector verifies.", len(self._live.held))
            yield _one("tallywire_members", "Collectors that share the loops.", self._live.members)
        if self._live.published:
            clients = GaugeMetricFamily(
                "tallywire_publish_clients", "Clients that read what is published.", labels=["protocol"]
            )
            for protocol in sorted(self._live.published):
                clients.add_metric([protocol], self._live.published_to.get(protocol, 0))
            yield clients


def exposition(
    live: LiveState,
    desk: AlertDesk,
    accept: str,
    availability: Mapping[str, float] | None = None,
    alarms: Iterable[Metric] = (),
) -> tuple[bytes, str]:
    """The metrics in the format that the scraper accepts, and its media type; `availability` by loop, 0 to 1; `alarms` are those of
    the alarm system and the outbox."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(LiveCollector(live, desk, availability, alarms))
    encode, media_type = choose_encoder(accept)
    return encode(registry), media_type


def _one(name: str, text: str, value: float) -> Metric:
    return GaugeMetricFamily(name, text, value=value)


def _by_endpoint(name: str, text: str, known: list[EndpointStatus], values: dict[str, float | None]) -> Metric:
    family = GaugeMetricFamily(name, text, labels=["endpoint", "protocol"])
    for item in known:
        value = values[item.name]
        if value is not None:
            family.add_metric([item.name, item.protocol], value)
    return family
