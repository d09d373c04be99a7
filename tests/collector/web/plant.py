"""A fabricated terminal for the tests of the pages: live states in every condition, a desk and a store in memory."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date

import numpy as np

from checks.blocks import Blocks
from checks.empties import EmptyStretch
from checks.evaluation import BeltState, Evaluation, LinkNumbers, Totals
from checks.finding import Alternative, Correction, Finding, Implied, Predicted, ShiftTonnes
from checks.reliability.timeline import Annotation
from checks.result import CheckResult, Evidence, Link, Verdict
from checks.samples import Samples
from collector.alerts.model import Alert, AlertState, Priority
from collector.history.hour_rows import By, FleetLine
from collector.history.store import Event, Trend
from collector.live import EndpointState, EndpointStatus, LiveState
from collector.reading import BAD, GOOD, Reading
from config.model import FlowRange, Gauge, Loop, ModbusEndpoint, ModbusTag, OpcUaEndpoint, OpcUaTag, Plc, Site, WireType
from config.roles import ROLES
from tests.collector.web.memory_desk import MemoryDesk as MemoryDesk

NOW = 1_772_456_704.0
"""2026-03-02 13:05:04 UTC."""
SHA = "5d1f0c2a9b7e4d3386a0f1e2c4b5a697880123456789abcdef0123456789abcd"


def site() -> Site:
    tags = {
        "flow": ModbusTag(endpoint="gauge-07", address=10, type=WireType.FLOAT32),
        "count_rate": ModbusTag(endpoint="gauge-07", address=20, type=WireType.FLOAT32),
        "ai_raw": OpcUaTag(endpoint="plc", node="ns=2;s=TB-07.raw"),
        "plc_flow": OpcUaTag(endpoint="plc", node="ns=2;s=TB-07.flow"),
        "drive_running": OpcUaTag(endpoint="plc", node="ns=2;s=TB-07.run"),
    }
    gauge = Gauge(range=FlowRange(low=0, high=500), nuclide="Cs-137", reference_date=date(2019, 5, 14))
    loop = Loop(title="Reclaim to ship loader", gauge=gauge, plc=Plc(range=FlowRange(low=0, high=420)), tags=tags)
    return Site(
        schema_=1,
        site="potash-terminal",
        title="North Quay potash terminal",
        time_zone="America/Regina",
        endpoints={
            "gauge-07": ModbusEndpoint(protocol="modbus", host="127.0.0.1", port=15020),
            "plc": OpcUaEndpoint(protocol="opcua", url="opc.tcp://127.0.0.1:14840"),
        },
        loops={
            "TB-07": loop,
            "TB-08": loop.model_copy(update={"title": "Rail pit to store 2"}),
            "TB-09": loop.model_copy(update={"title": "Store 2 to screening"}),
        },
    )


def numbers(
    link: Link, label: str, unit: str, shown: float | None, expected: float | None, span: float, verdict: Verdict, reason: str
) -> LinkNumbers:
    deviation = None if shown is None or expected is None else shown - expected
    return LinkNumbers(
        link=link,
        label=label,
        unit=unit,
        shown=shown,
        expected=expected,
        deviation=deviation,
        deviation_span=None if deviation is None else 100 * deviation / span,
        uncertainty_span=0.12,
        limit_span=0.5,
        verdict=verdict,
        reason=reason,
    )


def finding(loop: str = "TB-07") -> Finding:
    begin = int(NOW) - 16_000
    return Finding(
        loop=loop,
        link=Link.SCALING_BLOCK,
        cause="upper-range",
        title="ends differ",
        verdict=Verdict.FAULT,
        odds=19.0,
        alternatives=(Alternative(cause="ton-unit", odds=0.04, separated_by="read the unit of the flow in the gauge display"),),
        begin=begin,
        begin_interval=(begin - 60, begin + 60),
        tonnes=-186.2,
        tonnes_uncertainty=4.1,
        rate_error_t_h=-41.6,
        implied=Implied(range_low=0.0, range_high=420.0),
        advice=(
            "Read the upper range in the gauge and in the scaling block, side by side",
            "Find the date of the last range change at each end",
            "Inject 12 mA at the cabinet: the PLC must show the middle of the agreed range",
        ),
        evidence=(
            Evidence(name="slope of PLC flow over gauge flow", value=0.84, unit="", limit=None, standard_error=0.0008),
            Evidence(name="pivot", value=4.0, unit="mA", limit=None, standard_error=0.1),
        ),
        sentence="The PLC shows 0.840 of the gauge flow at every load, as if 20 mA were 420 t/h there and 500 t/h at the gauge",
        correction=Correction(
            side="plc",
            setting="flow at 20 mA",
            unit="t/h",
            acts_as=420.0,
            computed=419.8,
            uncertainty=0.9,
            enter=500.0,
            before=Predicted(slope=0.84, offset_t_h=0.0, rate_error_t_h=-41.6),
            after=Predicted(slope=1.0, offset_t_h=0.0, rate_error_t_h=0.0),
            otherwise="if 420 t/h is the range that is meant, enter 420 t/h in the gauge instead",
        ),
        by_shift=(
            ShiftTonnes(shift="06:00", begin=begin, end=begin + 6000, tonnes=-70.0, tonnes_uncertainty=2.0),
            ShiftTonnes(shift="14:00", begin=begin + 6000, end=begin + 16_000, tonnes=-116.2, tonnes_uncertainty=3.1),
        ),
    )


def evaluation(loop: str, verdict: Verdict, time_s: int = int(NOW) - 4) -> Evaluation:
    fault = verdict is Verdict.FAULT
    ok, none = Verdict.OK, Verdict.NOT_EVALUATED
    chain = (
        numbers(Link.COUNTS, "empty-belt rate", "1/s", 2871.0, 2868.0, 5200, ok, "within counting noise"),
        numbers(Link.LOAD, "gauge flow from counts", "t/h", 260.0, 259.6, 500, ok, "the gauge computes what its counts say"),
        numbers(Link.GAUGE_OUTPUT, "output set value", "mA", 12.320, 12.320, 16, ok, "output follows the flow"),
        numbers(Link.CURRENT, "loop current", "mA", None, 12.320, 16, none, "no independent current measurement"),
        numbers(Link.INPUT_CARD, "raw counts", "count", 14377.0, 14377.0, 27648, ok, "card follows the current"),
        numbers(
            Link.SCALING_BLOCK, "PLC flow", "t/h", 218.4 if fault else 260.1, 260.0, 420, verdict,
            "PLC shows 41.6 t/h less than the gauge" if fault else "both ends show the same",
        ),
        numbers(
            Link.TOTALS, "PLC total, last 8 h", "t", 1893.8 if fault else 2079.6, 2080.0, 3360, verdict if fault else ok, ""
        ),
    )  # fmt: skip
    results = (
        CheckResult(
            check="scaling",
            link=Link.SCALING_BLOCK,
            verdict=verdict,
            reason="slope 0.840, pivot 4.0 mA" if fault else "slope 1.000",
            evidence=(Evidence(name="slope", value=0.84 if fault else 1.0, unit="", standard_error=0.0008),),
            used=720,
            total=720,
        ),
        CheckResult(
            check="freshness", link=Link.COMMUNICATION, verdict=ok, reason="all readings on time", used=7200, total=7200
        ),
        CheckResult(
            check="calibration",
            link=Link.SETUP,
            verdict=none,
            reason="no material test on record",
            needs=("a material test of at least 20 t",),
            evidence=(Evidence(name="factor", value=float("nan"), unit="%"),),
        ),
    )
    return Evaluation(
        loop=loop,
        time_s=time_s,
        state=BeltState.LOADED,
        suppressed="",
        results=results,
        findings=(finding(loop),) if fault else (),
        chain=chain,
        totals=Totals(
            gauge_t=2080.0, plc_t=1893.8 if fault else 2079.6, own_t=2079.9, best_t=2080.0, best_u_t=4.1, not_measured_s=12.0
        ),
        verdict=verdict,
        site_sha256=SHA,
    )


def live(now: float = NOW) -> LiveState:
    """Started, nothing evaluated yet."""
    state = LiveState(site=site(), site_sha256=SHA, site_path="site.yaml", started=now - 3)
    state.endpoints["gauge-07"] = EndpointStatus(
        name="gauge-07", protocol="modbus", state=EndpointState.UP, since=now - 20_000, last_good=now - 0.4,
        rtt_s=0.0042, polls=20000,
    )  # fmt: skip
    state.endpoints["plc"] = EndpointStatus(
        name="plc", protocol="opcua", state=EndpointState.UP, since=now - 20_000, last_good=now - 0.6, rtt_s=0.011, polls=19990,
        reconnects=1, certificate_expires=now + 90 * 86400,
    )  # fmt: skip
    values = {"flow": 260.0, "count_rate": 2871.0, "ai_raw": 14377.0, "plc_flow": 218.4, "drive_running": 1.0}
    state.take_readings(
        [
            Reading(loop="TB-07", role=role, value=value, quality=GOOD, receive_time=now - 0.6, raw=(17282.0, 0.0))
            for role, value in values.items()
        ]
    )
    bad = Reading(
        loop="TB-08", role="flow", value=float("nan"), quality=BAD, receive_time=now - 0.6, reason="invalid marker",
        raw=(65535.0,),
    )  # fmt: skip
    state.take_readings([bad])
    return state


def healthy(now: float = NOW) -> LiveState:
    state = live(now)
    state.started = now - 20_000
    for loop in state.site.loops:
        state.take_evaluation(evaluation(loop, Verdict.OK, int(now) - 4))
    return state


def faulty(now: float = NOW) -> LiveState:
    state = healthy(now)
    state.take_evaluation(evaluation("TB-08", Verdict.NOT_EVALUATED, int(now) - 4))
    state.take_evaluation(evaluation("TB-07", Verdict.FAULT, int(now) - 4))
    state.counters.update(late_readings=3, check_errors=1, loop_lag_s=0.0021)
    return state


def stale(now: float = NOW) -> LiveState:
    state = faulty(now - 300)
    state.problems["history"] = "disk full, verifying in memory"
    return state


def lost(now: float = NOW) -> LiveState:
    state = stale(now)
    state.endpoints["plc"] = replace(
        state.endpoints["plc"], state=EndpointState.BACKOFF, reason="no answer within 4 s", since=now - 290, timeouts=12
    )
    return state


def alert(now: float = NOW, **changes: object) -> Alert:
    made = Alert(
        id="TB-07-scaling-block-1",
        loop="TB-07",
        link="scaling-block",
        state=AlertState.UNACKNOWLEDGED,
        active=True,
        priority=Priority.HIGH,
        finding=finding(),
        raised=now - 15_900,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


class MemoryStore:
    """The store of the tests: a made-up trend and a list of events."""

    def __init__(self) -> None:
        self.corrections: list[Annotation] = []
        self.ledger: list[Event] = []

    def append(self, batch: Sequence[Samples]) -> int:
        return sum(len(item) for item in batch)

    def scan(self, loop: str, begin: int, end: int) -> Iterator[Samples]:
        return iter(())

    def trend(self, loop: str, role: str, begin: int, end: int, max_points: int = 2000) -> Trend:
        step = 60
        times = np.arange(begin, end, step, dtype=np.int64)
        mean = 260.0 + 25.0 * np.sin(times / 900.0) + 6.0 * np.sin(times / 97.0)
        if role == "plc_flow":
            mean = np.where(times > begin + 2400, mean * 0.84, mean)
        mean[20:24] = np.nan
        unit = ROLES[role].unit
        return Trend(loop=loop, role=role, unit=unit, step_s=step, time_s=times, minimum=mean - 4, mean=mean, maximum=mean + 4)

    def trends(self, loop: str, roles: Sequence[str], begin: int, end: int, max_points: int = 2000) -> dict[str, Trend]:
        return {role: self.trend(loop, role, begin, end, max_points) for role in roles}

    def add_rollups_of(self, parts: Sequence[Blocks]) -> None:
        for blocks in parts:
            self.add_rollups(blocks)

    def add_rollups(self, blocks: Blocks) -> None:
        raise NotImplementedError

    def rollups(self, loop: str, length_s: int, begin: int, end: int) -> Blocks | None:
        return None

    def fleet(self, by: By, begin: int, end: int, top: int) -> list[FleetLine]:
        return [
            FleetLine(loop="TB-07", divergence=-4.8, rate=-4.76, uptime=98.5, findings=2, gauge_t=20_160.4, plc_t=19_192.7),
            FleetLine(loop="TB-08", divergence=None, rate=None, uptime=0.0, findings=0, gauge_t=0.0, plc_t=0.0),
        ][:top]

    def add_event(self, event: Event) -> None:
        self.ledger.append(event)

    def events(self, begin: float, end: float, loop: str | None = None) -> list[Event]:
        return [item for item in self.ledger if begin <= item.time < end and loop in (None, item.loop)]

    def annotate(self, annotation: Annotation) -> None:
        self.corrections.append(annotation)

    def annotations(self, loop: str, begin: int, end: int) -> list[Annotation]:
        return [one for one in self.corrections if one.loop == loop and one.begin < end and one.end > begin]

    def add_empties(self, loop: str, stretches: Sequence[EmptyStretch]) -> None:
        raise NotImplementedError

    def empties(self, loop: str) -> list[EmptyStretch]:
        return []

    def void_empties(self, loop: str, voids: Sequence[tuple[int, int]]) -> None:
        raise NotImplementedError

    def voids(self, loop: str) -> list[tuple[int, int]]:
        return []

    def extent(self, loop: str) -> tuple[int, int] | None:
        return None

    def seal(self, now: float) -> int:
        return 0

    def retain(self, now: float) -> int:
        return 0

    def close(self) -> None:
        return None
