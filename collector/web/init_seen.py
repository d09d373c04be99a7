"""What was seen of the devices beside the fields of the wizard: proposals filled in, values read once, and what would put them right."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from collector.commissioning.init_desk import Seen
from collector.commissioning.looking import Ends, Looked, Proposal, ReadTag, ends_of
from collector.commissioning.site_draft import SIDES, LoopAnswers, SiteAnswers, roles_of, usual_device
from collector.web.init_steps import tags_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One field: its value, whether that is a proposal that nobody has kept yet, what was seen, and why it cannot be right."""

    role: str
    value: str
    proposed: bool = False
    note: str = ""
    odd: str = ""


def fields_of(found: SiteAnswers, said: Mapping[str, str], seen: Seen) -> dict[str, list[Field]]:
    """The fields of both sides; roles that nobody is asked for are among them where they are known."""
    read = {item.role: item for item in seen.read.tags} if seen.read is not None else {}
    out: dict[str, list[Field]] = {}
    for whose in SIDES:
        looked = looked_at(found, said, seen, whose)
        offered = _offered(looked, said.get("plc_flow", "")) if looked is not None else {}
        out[whose] = [
            _field(role, said.get(role, ""), offered.get(role), read.get(role))
            for role in roles_of(whose)
            if role in SIDES[whose] or said.get(role) or role in offered
        ]
    return out


def _offered(looked: Looked, flow: str) -> dict[str, Proposal]:
    """What the server offers beside the flow that is typed already, where one is."""
    return looked.with_flow(flow) if flow else looked.proposals


def looked_at(found: SiteAnswers, said: Mapping[str, str], seen: Seen, whose: str) -> Looked | None:
    """What was seen of the server of a side, as long as the side is read from that server."""
    looked = seen.looked.get(whose)
    device = said.get(f"device-{whose}") or usual_device(found, whose)
    return looked if looked is not None and looked.browsed.endpoint == device else None


def _field(role: str, value: str, offer: Proposal | None, read: ReadTag | None) -> Field:
    if read is not None and read.said == value and read.better:
        better = read.better[0]
        note = f"you typed {value}, which cannot be right: {read.odd}. With {better.words} it gives {better.shown}"
        return Field(role=role, value=better.said, proposed=True, note=note)
    if read is not None and read.said == value:
        verdict = {0: "good", 1: "uncertain"}.get(read.quality, "bad")
        note = (
            f"{read.shown}, {verdict}"
            if not read.odd
            else f"{read.shown}. {read.now[:1].upper()}{read.now[1:]}".replace("`", "")
        )
        return Field(role=role, value=value, note=note, odd=read.odd)
    if offer is None:
        return Field(role=role, value=value)
    why = f", by {', '.join(offer.why)}" if offer.why else ""
    doubt = "; only its value speaks for it, look twice" if offer.weak else ""
    if value and value != offer.said:
        return Field(role=role, value=value, note=f"the server offers {offer.said} ({offer.name} shows {offer.shown}{why})")
    return Field(role=role, value=offer.said, proposed=not value, note=f"{offer.name} shows {offer.shown}{why}{doubt}")


def ranges_of(
    found: SiteAnswers, loop: LoopAnswers, said: Mapping[str, str], fields: Mapping[str, list[Field]], seen: Seen
) -> dict[str, Ends]:
    """Ranges that a server says and that differ from the answers, by side."""
    values = {item.role: item.value for mine in fields.values() for item in mine}
    now = replace(loop, tags=tags_of(found, values, said))
    out = {}
    for whose in SIDES:
        looked = looked_at(found, said, seen, whose)
        ends = ends_of(looked, now, whose) if looked is not None else None
        if ends is not None:
            out[whose] = ends
    return out
