"""What the wizard sees of a device: nodes that a server offers for the roles of a loop, and registers that are read once."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from collector.clock import Clock
from collector.commissioning.browsing import Browsed, Offer, Tell, browse, tags_for
from collector.commissioning.browsing_text import ONLY_VALUE
from collector.commissioning.partial import partial_site
from collector.commissioning.registers import RATE
from collector.commissioning.server_says import ALIKE, usable
from collector.commissioning.site_draft import LoopAnswers, SiteAnswers, roles_of
from collector.commissioning.survey import Progress as Reads
from collector.commissioning.survey import Survey, survey
from collector.commissioning.survey_text import number, what_now
from collector.commissioning.tag_words import changed, read_tag, said_of
from collector.sources.opcua_space import Progress
from config.errors import TallywireError
from config.model import FlowRange, OpcUaEndpoint, Site
from config.roles import ROLES
from config.units import convert, known_unit, unit_from_unece

READ_BACK = ("plc_range_low", "plc_range_high", "plc_unit")
"""What comes with the flow of the PLC where a server tells it."""
WAIT_S = 15.0
"""Time to the second look at totals and at what was odd [s]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """What a role could be read from, as it is typed, with its value of the moment in words, what speaks for it, and how people call it."""

    said: str
    shown: str
    name: str = ""
    why: tuple[str, ...] = ()

    @property
    def weak(self) -> bool:
        """Whether its value alone speaks for it."""
        return len(self.why) == 1 and self.why[0].startswith(ONLY_VALUE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ends:
    """A range as a server says it, where it differs from the answer: both in words, and the answers that it would make."""

    server: str
    answered: str
    low: str
    high: str


@dataclass(slots=True, kw_only=True)
class Looked:
    """A look at a server for the roles of one side of a loop; `proposals` by role."""

    browsed: Browsed
    loop: str
    proposals: dict[str, Proposal] = field(default_factory=dict)

    @property
    def flow(self) -> float | None:
        """The flow of the moment against which values were held [t/h]; None: not known."""
        return self.browsed.flows.get(self.loop)

    def with_flow(self, said: str) -> dict[str, Proposal]:
        """The proposals where the flow of the PLC is read from the node that was said: range and unit come with that node alone."""
        mine = {role: item for role, item in self.of("plc_flow", said).items() if role in READ_BACK}
        others = {
            role: item
            for role, item in self.proposals.items()
            if role not in READ_BACK or "property" not in read_tag(item.said, "", "opcua")
        }
        return {**others, **mine}

    def of(self, role: str, said: str) -> dict[str, Proposal]:
        """A node that somebody named, as the role and what comes with it; empty where the server has shown no such node."""
        try:
            node = str(read_tag(said, "", "opcua")["node"])
        except TallywireError:
            return {}
        wanted = self.browsed.space.name_of(node)
        offer = next((item for item in self.browsed.offers if item.variable.node == wanted), None)
        return {} if offer is None else _proposals(self.browsed, offer, self.loop, role)


async def look(
    found: SiteAnswers,
    loop: LoopAnswers,
    whose: str,
    clock: Clock,
    *,
    rate: float = RATE,
    tell: Tell = lambda text: None,
    progress: Progress = lambda seen, requests, where: None,
) -> Looked:
    """Walk the OPC UA server of one side of a loop, read only, and propose its nodes.

    Raises
    ------
    TallywireError
        The device is no OPC UA server, is not there, or the answers so far cannot be.
    """
    site = partial_site(found, loop)
    name = loop.devices[whose]
    if not isinstance(site.endpoints[name], OpcUaEndpoint):
        raise TallywireError(
            f"{name} speaks Modbus, which has no list of what it has", fix="type its registers, then read them once"
        )
    alone = sum(device == name for device in loop.devices.values()) < 2
    wanted = set(roles_of(whose))
    bare = _without(site, loop.name, wanted)
    browsed = await browse(
        bare, name, clock, rate=rate, wanted={loop.name}, on_gauge=whose == "gauge" and alone, tell=tell, progress=progress
    )
    looked = Looked(browsed=browsed, loop=loop.name)
    for offer in browsed.offers:
        if offer.guesses and offer.guesses[0].role in wanted:
            for role, proposal in _proposals(browsed, offer, loop.name, offer.guesses[0].role).items():
                looked.proposals.setdefault(role, proposal)
    return looked


def _without(site: Site, loop: str, roles: set[str]) -> Site:
    """The site without the tags of a loop that are asked for now: the server is looked at as if they were not there."""
    mine = site.loops[loop]
    tags = {role: tag for role, tag in mine.tags.items() if role not in roles}
    return site.model_copy(update={"loops": {**site.loops, loop: mine.model_copy(update={"tags": tags})}})


def _proposals(browsed: Browsed, offer: Offer, loop: str, role: str) -> dict[str, Proposal]:
    variable = offer.variable
    why = next((guess.why for guess in offer.guesses if (guess.loop, guess.role) == (loop, role)), ())
    value = variable.shown or "-" if variable.value is None else number(float(f"{variable.value:.6g}"))
    if variable.quality:
        value += f", {variable.reason}" if variable.reason else ", of bad quality"
    out = {}
    for name, fields in tags_for(browsed, offer, loop, role):
        said = {key: item for key, item in fields.items() if key != "endpoint"}
        unit = str(fields.get("measured_in", "")) or variable.unit or ROLES[name].unit
        shown = f"{value} {unit}".strip()
        if name.startswith("plc_range_") and variable.ends is not None and name != role:
            shown = f"{variable.ends[name.endswith('high')]:.6g} {unit}"
        elif name == "plc_unit" and name != role:
            shown = variable.unit
        called = "/".join((*variable.path[-1:], variable.name))
        out[name] = Proposal(said=said_of(said), shown=shown, name=called, why=why if name == role else ())
    return out


def ends_of(looked: Looked, loop: LoopAnswers, whose: str) -> Ends | None:
    """The range that the server gives for the flow of a side, where it differs from the answers; None: it agrees, or gives none."""
    role, said = ("flow", loop.gauge) if whose == "gauge" else ("plc_flow", loop.plc)
    if role not in loop.tags:
        return None
    try:
        node = looked.browsed.space.name_of(str(read_tag(loop.tags[role], "", "opcua")["node"]))
        answered = FlowRange.model_validate({"low": said.get("low", "0 t/h"), "high": said.get("high", "")})
    except ValueError:
        return None
    variable = next((item.variable for item in looked.browsed.offers if item.variable.node == node), None)
    if variable is None or variable.ends is None or not usable(variable.ends):
        return None
    unit = variable.unit if known_unit(variable.unit) else str(read_tag(loop.tags[role], "", "opcua").get("measured_in", "t/h"))
    try:
        low, high = (convert(end, unit, "t/h") for end in variable.ends)
    except ValueError:
        return None
    if max(abs(low - answered.low), abs(high - answered.high)) <= ALIKE * abs(answered.high - answered.low):
        return None
    first, last = (f"{end:.6g} {unit}" for end in variable.ends)
    return Ends(
        server=f"{first} to {last}", answered=f"{said.get('low', '0 t/h')} to {said.get('high', '')}", low=first, high=last
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Better:
    """What would make a value right: the keys in words, the tag as it would be typed, and the value that it gives in words."""

    words: str
    said: str
    shown: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadTag:
    """A tag that was read once: what it was read from, its value in words, and why it cannot be right (empty: nothing speaks against it)."""

    role: str
    said: str
    shown: str
    quality: int
    odd: str = ""
    now: str = ""
    better: tuple[Better, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOnce:
    """The tags of a loop, read once. `agreed` is the flow on which stations agree [t/h] and which; `failures` by device."""

    tags: Sequence[ReadTag]
    agreed: tuple[float, tuple[str, ...]] | None
    failures: Mapping[str, str]

    @property
    def odd(self) -> list[ReadTag]:
        """The tags that cannot be right."""
        return [item for item in self.tags if item.odd]


async def read_once(
    found: SiteAnswers,
    loop: LoopAnswers,
    clock: Clock,
    *,
    rate: float = RATE,
    wait_s: float = WAIT_S,
    tell: Tell = lambda text: None,
    progress: Reads = lambda done, total: None,
) -> ReadOnce:
    """Read every tag of a loop that is answered so far, as `tallywire survey` does.

    Raises
    ------
    TallywireError
        The answers so far cannot be.
    """
    site = partial_site(found, loop)
    alone = site.model_copy(update={"loops": {loop.name: site.loops[loop.name]}})
    seen = await survey(alone, clock, rate=rate, wait_s=wait_s, tell=tell, progress=progress)
    return ReadOnce(tags=_read_tags(seen, found, loop), agreed=seen.agreed.get(loop.name), failures=seen.failures)


def _shown(role: str, value: float) -> str:
    named = unit_from_unece(round(value)) if role in ("plc_unit", "gauge_unit") and math.isfinite(value) else None
    return named or f"{number(value)} {ROLES[role].unit}".strip()


def _read_tags(seen: Survey, found: SiteAnswers, loop: LoopAnswers) -> list[ReadTag]:
    out = []
    for item in seen.tags:
        whose = next(side for side in loop.devices if item.role in roles_of(side))
        protocol, unit = found.endpoints[loop.devices[whose]]["protocol"], ROLES[item.role].unit
        better = tuple(
            Better(
                words=suggestion.words(),
                said=changed(loop.tags[item.role], protocol, dict(suggestion.keys)),
                shown=f"{number(suggestion.value)} {unit}".strip(),
            )
            for suggestion in item.suggestions
        )
        out.append(
            ReadTag(
                role=item.role,
                said=loop.tags[item.role],
                shown=_shown(item.role, item.value),
                quality=item.reading.quality,
                odd=item.odd,
                now=what_now(item) if item.odd and not better else "",
                better=better,
            )
        )
    return out
