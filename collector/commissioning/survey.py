"""The survey of a site: every tag read once with its neighbours, judged by physics and by the other tags."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from checks.commissioning.gauge import GaugeFacts, facts_of
from checks.commissioning.plausible import agreed_flow, expectations, oddity
from collector.clock import Clock
from collector.commissioning.kin_order import follow_order
from collector.commissioning.registers import RATE, SlowReader
from collector.commissioning.server_says import Hint, hints
from collector.commissioning.suggest import for_modbus, for_opcua, gaining
from collector.commissioning.survey_read import Place, read_modbus, read_opcua, reads_of
from collector.commissioning.surveyed import Surveyed
from collector.reading import BAD
from collector.sources.decode import registers_of
from config.model import ModbusEndpoint, ModbusTag, OpcUaTag, Site

Tell = Callable[[str], None]
Progress = Callable[[int, int], None]


@dataclass(slots=True, kw_only=True)
class Survey:
    """Everything that was found; `agreed` is the flow that most stations of a loop say [t/h] and which they are, by loop."""

    site: str
    tags: list[Surveyed]
    agreed: dict[str, tuple[float, tuple[str, ...]] | None]
    failures: dict[str, str]
    requests: int
    hints: list[Hint] = field(default_factory=list)

    @property
    def odd(self) -> list[Surveyed]:
        """The tags that cannot be right."""
        return [item for item in self.tags if item.odd]

    @property
    def sound(self) -> bool:
        """Whether nothing speaks against the site file."""
        return not self.odd and not any(hint.wrong for hint in self.hints)


TOTALS = {"gauge_total": "flow", "plc_total": "plc_flow"}
"""Each total with the flow that it sums up."""
WAIT_S = 15.0
MOVED = 0.3
"""A flow that changes by more than this over the wait says nothing of a total [parts]."""
TOTAL_REL, TOTAL_DIGITS = 0.5, 2.0
"""How far the gain of a total may be from its flow over the wait [parts, and digits of the total]; the flow moves meanwhile."""


async def survey(
    site: Site,
    clock: Clock,
    *,
    rate: float = RATE,
    wait_s: float = WAIT_S,
    tell: Tell = lambda text: None,
    progress: Progress = lambda done, total: None,
) -> Survey:
    """Connect to every endpoint once, read every tag with its neighbours, look again at what is odd and at totals; nothing is written.

    Parameters
    ----------
    site, clock
        The site as it is declared.
    rate : float
        Most Modbus requests a second to one device.
    wait_s : float
        Time between the two looks [s]; 0: one look only.
    tell : callable
        Told what is being done.
    progress : callable
        Told how many reads of the first look are done, of how many.
    """
    failures: dict[str, str] = {}
    found, requests = await _read(site, clock, rate, failures, tell, progress)
    agreed = _judge(site, found, clock)
    totals = [item for item in found if item.role in TOTALS and math.isfinite(item.value)]
    doubtful = {item.loop for item in found if item.odd and item.expected is not None}
    if (totals or doubtful) and wait_s > 0.0:
        tell(f"a second look in {wait_s:g} s")
        await clock.sleep_until(clock.monotonic() + wait_s)
        again, more = await _read(_second_site(site, doubtful), clock, rate, {}, tell)
        requests += more
        _judge(_second_site(site, doubtful), again, clock)
        _forget_passing(found, again, doubtful)
        _judge_totals(site, totals, found, again)
    follow_order(found)
    said = hints(site, found)
    return Survey(site=site.site, tags=found, agreed=agreed, failures=failures, requests=requests, hints=said)


def _places(site: Site, name: str) -> dict[Place, ModbusTag | OpcUaTag]:
    """The tags that are read from an endpoint."""
    return {
        (loop_id, role): tag
        for loop_id, loop in site.loops.items()
        for role, tag in loop.tags.items()
        if isinstance(tag, ModbusTag | OpcUaTag) and tag.endpoint == name
    }


async def _read(
    site: Site,
    clock: Clock,
    rate: float,
    failures: dict[str, str],
    tell: Tell,
    progress: Progress = lambda done, total: None,
) -> tuple[list[Surveyed], int]:
    """Every tag once, and the number of Modbus requests that it took."""
    found: list[Surveyed] = []
    requests = done = 0
    total = sum(reads_of(endpoint, mine) for name, endpoint in site.endpoints.items() if (mine := _places(site, name)))

    def step() -> None:
        nonlocal done
        done += 1
        progress(done, total)

    for name, endpoint in site.endpoints.items():
        places = _places(site, name)
        if not places:
            continue
        tell(f"{name}: {len(places)} tags")
        if isinstance(endpoint, ModbusEndpoint):
            reader = SlowReader(name, endpoint, clock, rate)
            try:
                found += await read_modbus(reader, places, clock, failures, step)
            finally:
                reader.close()
            requests += reader.requests
        else:
            found += await read_opcua(site, name, endpoint, places, clock, failures)
            step()
    return found, requests


def _second_site(site: Site, doubtful: set[str]) -> Site:
    """Totals and their flows alone, and all of a loop where something was odd."""
    wanted = {*TOTALS, *TOTALS.values()}
    loops = {
        name: loop.model_copy(
            update={"tags": {role: tag for role, tag in loop.tags.items() if name in doubtful or role in wanted}}
        )
        for name, loop in site.loops.items()
    }
    return site.model_copy(update={"loops": loops})


def _forget_passing(found: Sequence[Surveyed], again: Sequence[Surveyed], doubtful: set[str]) -> None:
    """What is odd only once was a flow on the move: the stations of a chain come one after the other."""
    still = {(item.loop, item.role) for item in again if item.odd}
    for item in found:
        if item.loop in doubtful and item.expected is not None and (item.loop, item.role) not in still:
            item.odd, item.suggestions = "", []


def _judge_totals(site: Site, totals: Sequence[Surveyed], found: Sequence[Surveyed], again: Sequence[Surveyed]) -> None:
    """A total must gain what its flow says; one whose words are swapped gains far more, or nothing."""
    later = {(item.loop, item.role): item for item in again}
    flows = {(item.loop, item.role): item.value for item in found}
    for item in totals:
        second = later.get((item.loop, item.role))
        place = item.loop, TOTALS[item.role]
        ends = [flows.get(place, math.nan), later[place].value if place in later else math.nan]
        flow = sum(ends) / 2.0
        if second is None or not (math.isfinite(second.value) and math.isfinite(flow)):
            continue
        if abs(ends[1] - ends[0]) > MOVED * max(map(abs, ends)):
            continue
        passed = second.reading.receive_time - item.reading.receive_time
        gained, wanted = second.value - item.value, flow * passed / 3600.0
        side = site.loops[item.loop].gauge if item.role == "gauge_total" else site.loops[item.loop].plc
        within = TOTAL_REL * abs(wanted) + TOTAL_DIGITS * side.total.resolution
        if abs(gained - wanted) <= within or item.odd:
            continue
        item.odd = f"it gained {gained:,.4g} t in {passed:.0f} s where {flow:,.4g} t/h give {wanted:,.3g} t"
        if isinstance(item.tag, ModbusTag):
            item.suggestions = gaining(item.role, item.tag, item.registers, second.registers, wanted, within)


def _judge(site: Site, found: Sequence[Surveyed], clock: Clock) -> dict[str, tuple[float, tuple[str, ...]] | None]:
    """Give each tag what is expected of it, why it is odd, and what would put it right."""
    agreed: dict[str, tuple[float, tuple[str, ...]] | None] = {}
    for loop_id, loop in site.loops.items():
        mine = [item for item in found if item.loop == loop_id]
        facts = facts_of(loop, clock.now())
        known: GaugeFacts | None = facts if isinstance(facts, GaugeFacts) else None
        values = {item.role: item.value for item in mine}
        agreed[loop_id] = agreed_flow(loop, values, known)
        wanted = expectations(loop, values, known)
        for item in mine:
            item.expected = wanted.get(item.role)
            odd = oddity(item.role, item.value, item.expected)
            if odd is None:
                continue
            item.odd = item.reading.reason if item.reading.quality == BAD and item.reading.reason else odd.what
            if isinstance(item.tag, ModbusTag):
                item.suggestions = for_modbus(item.role, item.tag, item.registers, item.expected, item.odd, _taken(item, found))
            elif isinstance(item.tag, OpcUaTag) and item.reading.raw:
                item.suggestions = for_opcua(item.role, item.tag, item.reading.raw[0], item.expected, item.said_unit)
        _second_look(mine, values, loop_id, site, known)
    return agreed


def _taken(item: Surveyed, found: Sequence[Surveyed]) -> set[int]:
    """Registers of the other tags of the same table of the same device."""
    tag = item.tag
    others = [other.tag for other in found if other is not item]
    return {
        other.address + place
        for other in others
        if isinstance(tag, ModbusTag)
        and isinstance(other, ModbusTag)
        and (other.endpoint, other.table, other.unit) == (tag.endpoint, tag.table, tag.unit)
        for place in range(registers_of(other))
    }


def _second_look(
    mine: Sequence[Surveyed], values: Mapping[str, float], loop_id: str, site: Site, facts: GaugeFacts | None
) -> None:
    """Where a value was put right, those that were expected from it are judged again: load and speed hang together."""
    repaired = dict(values)
    for item in mine:
        if item.suggestions:
            repaired[item.role] = item.suggestions[0].value
    wanted = expectations(site.loops[loop_id], repaired, facts)
    for item in mine:
        if not item.odd or item.suggestions or item.reading.quality == BAD:
            continue
        if oddity(item.role, item.value, wanted.get(item.role)) is None:
            item.odd, item.expected = "", wanted.get(item.role)
