"""The address space of an OPC UA server with a proposal for each variable: which tag of which loop it could be."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field

from checks.commissioning.gauge import GaugeFacts, facts_of
from checks.commissioning.guess import Candidate, Guess, Known, assigned, guesses
from checks.commissioning.kin import kin_of
from checks.commissioning.plausible import expectations
from collector.clock import Clock
from collector.commissioning.paste import Fields
from collector.commissioning.registers import RATE
from collector.commissioning.server_says import usable
from collector.commissioning.site_draft import MASS_OF
from collector.commissioning.survey import Survey, survey
from collector.sources.build import silence_libraries
from collector.sources.failure import Kind as Trouble
from collector.sources.failure import LinkError
from collector.sources.opcua import OpcUaLink
from collector.sources.opcua_space import DEPTH, MOST_NODES, Progress, Walker
from collector.sources.opcua_variable import Space, Variable
from config.errors import TallywireError
from config.model import OpcUaEndpoint, OpcUaTag, Site
from config.roles import ROLES, Kind
from config.units import known_unit

Tell = Callable[[str], None]
SETTING_PERIOD = "60 s"


@dataclass(slots=True, kw_only=True)
class Offer:
    """A variable, the tag that the site file has for it already, and the roles that it could have, the best first."""

    variable: Variable
    declared: tuple[str, str] | None = None
    guesses: list[Guess] = field(default_factory=list)


@dataclass(slots=True, kw_only=True)
class Browsed:
    """What a server has, and what of it a site could use. `flows` are the flows of the moment by loop [t/h], None: not known."""

    endpoint: str
    offers: list[Offer]
    space: Space
    flows: dict[str, float | None]


def known_of(site: Site, found: Survey, now: float) -> dict[str, Known]:
    """What each loop should show, from the tags that were read."""
    out = {}
    for loop_id, loop in site.loops.items():
        facts = facts_of(loop, now)
        values = {item.role: item.value for item in found.tags if item.loop == loop_id and not item.odd}
        known = facts if isinstance(facts, GaugeFacts) else None
        out[loop_id] = Known(loop, expectations(loop, values, known))
    return out


async def browse(
    site: Site,
    name: str,
    clock: Clock,
    *,
    rate: float = RATE,
    under: str = "",
    depth: int = DEPTH,
    most: int = MOST_NODES,
    others: tuple[str, ...] = (),
    wanted: Collection[str] | None = None,
    on_gauge: bool = False,
    tell: Tell = lambda text: None,
    progress: Progress = lambda seen, requests, where: None,
) -> Browsed:
    """Read the tags that the site has, then walk the server and compare.

    Parameters
    ----------
    site, name, clock
        The site, and the OPC UA endpoint that is browsed.
    rate : float
        Most requests a second to one device.
    under : str
        Node id to begin at; empty: the Objects folder.
    depth, most : int
        Levels of folders, and nodes, at which the walk ends.
    others : tuple of str
        Names of all loops of the plant: a variable that is named after one of them is of no other. Those that the server itself
        shows beside a loop are added.
    wanted : collection of str, optional
        The loops that are looked for; the tags of the others are not read and only take their variables away. None: all.
    on_gauge : bool
        The server is the gauge itself.

    Raises
    ------
    TallywireError
        The server cannot be reached, or has no such node.
    """
    endpoint = site.endpoints[name]
    assert isinstance(endpoint, OpcUaEndpoint)
    silence_libraries()
    mine = site if wanted is None else site.model_copy(update={"loops": {name: site.loops[name] for name in wanted}})
    found = await survey(mine, clock, rate=rate, wait_s=0.0, tell=tell)
    tell(f"{name}: walking its address space")
    space = await _walk(name, endpoint, clock, rate, (under, depth, most), progress)
    known = known_of(mine, found, clock.now())
    places = [(variable.path, variable.name) for variable in space.variables]
    others = (*others, *site.loops, *(name for loop in mine.loops for name in kin_of(loop, places)))
    declared = {
        space.name_of(tag.node): (loop_id, role)
        for loop_id, loop in site.loops.items()
        for role, tag in loop.tags.items()
        if isinstance(tag, OpcUaTag) and tag.endpoint == name and not tag.property
    }
    offers = [Offer(variable=variable, declared=declared.get(variable.node)) for variable in space.variables]
    free = [offer for offer in offers if offer.declared is None]
    taken = {offer.declared for offer in offers if offer.declared is not None}
    possible = [
        [
            guess
            for guess in guesses(candidate_of(offer.variable), known, others, on_gauge=on_gauge)
            if (guess.loop, guess.role) not in taken
        ]
        for offer in free
    ]
    for offer, given in zip(free, assigned(possible), strict=True):
        offer.guesses = given
    flows = {loop: None if agreed is None else agreed[0] for loop, agreed in found.agreed.items()}
    return Browsed(endpoint=name, offers=offers, space=space, flows=flows)


async def _walk(
    name: str, endpoint: OpcUaEndpoint, clock: Clock, rate: float, bounds: tuple[str, int, int], progress: Progress
) -> Space:
    link = OpcUaLink(name, endpoint, clock, longest_period=1.0, rate=rate)
    walker = Walker(link, progress)
    under, depth, most = bounds
    try:
        await link.open()
        walker.space.skew_s = link.skew_s or 0.0
        return await walker.walk(under, depth=depth, most=most)
    except LinkError as error:
        if walker.space.variables:
            walker.space.cut = f"{name} failed on the way: {error.reason}"
            return walker.space
        raise TallywireError(
            f"{name} cannot be browsed: {error.reason}", where=f"endpoint {name}",
            fix="user, password or certificates stand at the endpoint in the site file: write them there, then `tallywire survey --browse`"
            if error.kind in (Trouble.LOGIN, Trouble.SETUP) else
            "is it on, is the url right, and has it a session left? where it has one only, stop the service for the time, or "
            "`tallywire survey --borrow`",
        ) from error  # fmt: skip
    finally:
        await link.close()


def candidate_of(variable: Variable) -> Candidate:
    """A variable as the proposals look at it; a value of bad quality is none."""
    usable = variable.value is not None and variable.quality != 2
    return Candidate(
        name=variable.name, folders="/".join(variable.path), is_bit=variable.data_type == "Boolean",
        is_whole="Int" in variable.data_type or variable.data_type in ("Byte", "SByte"),
        value=variable.value if usable and variable.value is not None else math.nan,
        unit=variable.unit if known_unit(variable.unit) else "", ends=variable.ends,
    )  # fmt: skip


def tags_for(browsed: Browsed, offer: Offer, loop: str, role: str) -> list[tuple[str, Fields]]:
    """The tags that a variable gives as a role of a loop: itself, and for the flow of the PLC its range and unit, read back."""
    variable = offer.variable
    unit = next((guess.measured_in for guess in offer.guesses if (guess.loop, guess.role) == (loop, role)), None)
    if unit is None:
        unit = variable.unit if known_unit(variable.unit) and variable.unit != ROLES[role].unit else ""
    if not unit and ROLES[role].kind is Kind.TOTAL and not variable.unit:
        unit = _ton_beside(browsed, offer)
    plain: dict[str, str | int | float | bool] = {"endpoint": browsed.endpoint, "node": variable.node}
    measured: Mapping[str, str] = {"measured_in": unit} if unit else {}
    out: list[tuple[str, Fields]] = [(role, {**plain, **measured})]
    if role == "plc_flow" and usable(variable.ends):
        out += [
            (f"plc_range_{end}", {**plain, "property": f"EURange.{end}", **measured, "period": SETTING_PERIOD})
            for end in ("low", "high")
        ]
    if role == "plc_flow" and variable.unit:
        out.append(("plc_unit", {**plain, "property": "EngineeringUnits", "period": SETTING_PERIOD}))
    return out


def _ton_beside(browsed: Browsed, offer: Offer) -> str:
    """The kind of ton of the flow in the same folder; a server seldom tells the unit of a total."""
    units = {other.variable.unit for other in browsed.offers if other.variable.path == offer.variable.path}
    tons = {MASS_OF[unit] for unit in units if unit in MASS_OF}
    return tons.pop() if len(tons) == 1 else ""
