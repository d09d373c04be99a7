"""The catalogue of causes as answers: one cause, and what the tags of a loop can name. Also what `tallywire causes --json` says."""

from __future__ import annotations

from pydantic import Field

from checks.causes import registry
from checks.causes.cause import Cause
from checks.causes.naming import Naming, naming, partners, tags_of
from checks.causes.signatures import SYMBOLS
from checks.telling import AT_GAUGE
from collector.web.schemas import Answer
from config.cautions import CAUTIONS
from config.model import Site


class LookAlikeOut(Answer):
    """A cause that shows the same, and the measurement that parts the two."""

    cause: str = Field(examples=["output-trim"])
    title: str = Field(examples=["output trimmed or aged"])
    separated_by: str = Field(examples=["read both ranges"])


class CauseOut(Answer):
    """One cause of the catalogue."""

    id: str = Field(examples=["upper-range"])
    title: str = Field(examples=["upper range differs"])
    signature: str = Field(description="what it does to the chain, as a formula", examples=["P = lo + (F - lo) x [t/h]"])
    links: list[str] = Field(examples=[["gauge-output", "scaling-block"]])
    roles: list[str] = Field(description="tags without which it cannot be named", examples=[["flow"]])
    look_alikes: list[LookAlikeOut]
    checks: list[str] = Field(description="what to check, in this order")
    cautions: list[str] = Field(description="empty where nobody is sent to the gauge")
    ne_107: str = Field(description="status signal of NAMUR NE 107", examples=["S"])
    iso_14224: str = Field(description="failure mode in the vocabulary of ISO 14224", examples=["PDE"])
    innocent: bool = Field(description="recognised so that it is not reported", examples=[False])


class NamingOut(Answer):
    """What the tags of a loop can name."""

    loop: str = Field(examples=["TB-07"])
    alone: list[str] = Field(description="causes that can be told from all others", examples=[["zero-counts"]])
    sets: dict[str, list[str]] = Field(description="causes that stay beside others, with those others")
    missing: dict[str, list[str]] = Field(description="causes that cannot be named, with the roles they need")
    extra: dict[str, int] = Field(description="pairs that one more tag would part, by role, the best first")


class CatalogueOut(Answer):
    """Every cause, the letters of the formulas, and what each loop can name."""

    causes: list[CauseOut]
    symbols: dict[str, str]
    loops: list[NamingOut]


def walks(cause: Cause) -> bool:
    """Whether its checks can lead a person to the gauge."""
    return cause.at_gauge or any(link in AT_GAUGE for link in cause.links)


def cause_out(cause: Cause) -> CauseOut:
    """A cause as an answer."""
    known = registry()
    return CauseOut(
        id=cause.id,
        title=cause.title,
        signature=cause.signature,
        links=[link.value for link in cause.links],
        roles=list(cause.roles),
        look_alikes=[
            LookAlikeOut(cause=other, title=known[other].title, separated_by=words) for other, words in partners(cause.id)
        ],
        checks=list(cause.checks),
        cautions=list(CAUTIONS) if walks(cause) else [],
        ne_107=cause.signal.value,
        iso_14224=cause.mode.value,
        innocent=cause.innocent,
    )


def naming_out(loop: str, found: Naming) -> NamingOut:
    """What a loop can name as an answer."""
    return NamingOut(
        loop=loop,
        alone=list(found.alone),
        sets={cause: list(others) for cause, others in found.sets.items()},
        missing={cause: list(roles) for cause, roles in found.missing.items()},
        extra=dict(found.extra),
    )


def of_site(site: Site | None, loops: list[str]) -> list[NamingOut]:
    """What each of these loops can name; none without a site."""
    if site is None:
        return []
    known: dict[frozenset[str], Naming] = {}
    found = []
    for loop in loops:
        tags = frozenset(tags_of(site, loop))
        if tags not in known:
            known[tags] = naming(tags_of(site, loop))
        found.append(naming_out(loop, known[tags]))
    return found


def alike(found: list[NamingOut]) -> list[tuple[list[str], NamingOut]]:
    """Loops that can name the same, together: their ids and what they can name."""
    groups: dict[str, tuple[list[str], NamingOut]] = {}
    for one in found:
        groups.setdefault(one.model_copy(update={"loop": ""}).model_dump_json(), ([], one))[0].append(one.loop)
    return list(groups.values())


def catalogue(site: Site | None, loops: list[str]) -> CatalogueOut:
    """The whole catalogue as an answer."""
    return CatalogueOut(
        causes=[cause_out(cause) for cause in registry().values()], symbols=dict(SYMBOLS), loops=of_site(site, loops)
    )
