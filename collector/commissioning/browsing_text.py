"""What a server has, for a terminal of 80 columns: every variable with its number, and what it could be."""

from __future__ import annotations

import re
from collections.abc import Sequence

from checks.commissioning.guess import Guess
from collector.commissioning.browsing import Browsed, Offer, tags_for
from collector.commissioning.paste import Fields, fragment
from collector.commissioning.survey_text import number
from collector.replay.text import WIDTH, wrapped
from collector.sources.opcua_variable import clean
from config.errors import TallywireError
from config.model import Site
from config.roles import ROLES

ONLY_VALUE = "value as expected"
SKEW_S = 2.0
Choice = tuple[Offer, str, str]


def text(browsed: Browsed, *, now: float, rate: float) -> str:
    """Every variable, by folder, with its proposal."""
    space = browsed.space
    fitting = sum(bool(offer.guesses) for offer in browsed.offers)
    lines = wrapped(
        f"{browsed.endpoint}: {len(browsed.offers)} variables in {space.nodes} nodes, {space.requests} requests, at most {rate:g} a second; "
        f"nothing was written"
    )
    if space.cut:
        lines += wrapped(f"not walked to its end: {space.cut}", first="! ", rest="  ")
    for loop, flow in browsed.flows.items():
        if flow is None:
            lines += wrapped(
                f"{loop}: no flow that two stations agree on, or an empty belt, so only names, units and ranges speak. Browse again with "
                "load on the belt.", first="! ", rest="  ",
            )  # fmt: skip
        else:
            lines += wrapped(f"{loop}: {flow:,.4g} t/h now, against which values are held")
    if abs(space.skew_s) > SKEW_S:
        lines += wrapped(
            f"its clock is {abs(space.skew_s):,.0f} s {'ahead of' if space.skew_s > 0 else 'behind'} ours",
            first="! ",
            rest="  ",
        )
    folder: tuple[str, ...] | None = None
    for place, offer in enumerate(browsed.offers, 1):
        if offer.variable.path != folder:
            folder = offer.variable.path
            lines += ["", *wrapped("/".join(folder) or "Objects"), "-" * WIDTH]
        lines += _offer(place, offer, now + space.skew_s)
    lines += ["", f"{fitting} variable{'' if fitting == 1 else 's'} could be a tag of this site."]
    return "\n".join(lines) + "\n"


def _offer(place: int, offer: Offer, now: float) -> list[str]:
    variable = offer.variable
    shown = number(variable.value) if variable.value is not None else variable.shown or "-"
    quality = {0: "good", 1: "uncertain"}.get(variable.quality, "bad")
    if variable.reason and variable.quality:
        quality = variable.reason
    lines = [
        f"{place:>4}  {variable.name[:26]:<26} {shown[:14]:>14} {variable.unit[:11]:<11} {variable.data_type[:9]:<9}{quality}"[
            :WIDTH
        ].rstrip()
    ]
    besides = []
    if variable.ends is not None:
        besides.append(f"range {variable.ends[0]:g} to {variable.ends[1]:g}")
    if variable.source_time is not None:
        besides.append(_age(now - variable.source_time))
    lines += wrapped("; ".join(besides), first="      ", rest="      ") if besides else []
    lines += wrapped(clean(variable.node), first="      ", rest="      ")
    if offer.declared is not None:
        lines.append(f"      is {offer.declared[0]} {offer.declared[1]} in the site file")
    for rank, guess in enumerate(offer.guesses[:3]):
        lead = "could be" if not rank else "or"
        lines += wrapped(f"{lead} {guess.loop} {guess.role}: {ROLES[guess.role].meaning}", first="   -> ", rest="      ")
        if not rank:
            lines += wrapped(f"by {', '.join(guess.why)}{_doubt(guess)}", first="      ", rest="      ")
    return lines


def _age(age_s: float) -> str:
    if age_s < -SKEW_S:
        return f"{-age_s:,.0f} s ahead of the server's clock"
    return f"{max(age_s, 0.0):.1f} s old" if age_s < 100.0 else f"{age_s / 60.0:,.0f} min old"


def _doubt(guess: Guess) -> str:
    alone = len(guess.why) == 1 and guess.why[0].startswith(ONLY_VALUE)
    return "; only its value speaks for it: browse again at another load" if alone else ""


def proposed(browsed: Browsed) -> list[Choice]:
    """The first proposal of each variable that has one."""
    return [(offer, offer.guesses[0].loop, offer.guesses[0].role) for offer in browsed.offers if offer.guesses]


def chosen(words: str, browsed: Browsed, site: Site) -> list[Choice]:
    """What somebody chose by number.

    Parameters
    ----------
    words : str
        Numbers and spans such as `1 4 7-9`, each with another role where wanted (`12=plc_total`, `12=TB-08:ai_raw`), or `all`.

    Raises
    ------
    TallywireError
        A number, role or loop is not there, or a tag would be there twice.
    """
    out: list[Choice] = []
    for piece in re.split(r"[,\s]+", words.strip()):
        if not piece:
            continue
        if piece == "all":
            out += proposed(browsed)
            continue
        numbers, _, wanted = piece.partition("=")
        out += [_choice(browsed.offers, at, wanted, site) for at in _numbers(numbers, len(browsed.offers))]
    twice = [
        f"{loop} {role}" for place, (_, loop, role) in enumerate(out) if (loop, role) in [item[1:] for item in out[:place]]
    ]
    if twice:
        raise TallywireError(
            f"{twice[0]} would be there twice", where="--choose", fix="give one of them another role, such as 12=ai_raw"
        )
    return out


def _numbers(words: str, most: int) -> list[int]:
    found = re.fullmatch(r"(\d{1,6})(?:-(\d{1,6}))?", words)
    first, last = (int(found.group(1)), int(found.group(2) or found.group(1))) if found else (0, 0)
    if not 1 <= first <= last <= most:
        raise TallywireError(
            f"{words!r} is no number of the list", where="--choose", fix=f"numbers from 1 to {most}, such as 1 4 7-9, or all"
        )
    return list(range(first, last + 1))


def _choice(offers: Sequence[Offer], at: int, wanted: str, site: Site) -> Choice:
    offer = offers[at - 1]
    if not wanted:
        if not offer.guesses:
            raise TallywireError(
                f"nothing speaks for a role of {at} ({offer.variable.name})",
                where="--choose",
                fix=f"name it, such as {at}=plc_total",
            )
        return offer, offer.guesses[0].loop, offer.guesses[0].role
    loop, _, role = wanted.rpartition(":")
    if not loop:
        loop = offer.guesses[0].loop if offer.guesses else next(iter(site.loops)) if len(site.loops) == 1 else ""
    if loop not in site.loops:
        raise TallywireError(
            f"which loop is meant by {at}={wanted}?", where="--choose", fix=f"such as {at}={next(iter(site.loops))}:{role}"
        )
    if role not in ROLES:
        from config.problems import meant

        raise TallywireError(f"there is no role {role!r}", where="--choose", fix=meant(role, ROLES))
    return offer, loop, role


def lines_for(browsed: Browsed, choices: Sequence[Choice]) -> str:
    """The tags that were chosen as a piece of a site file."""
    tags: dict[str, list[tuple[str, Fields]]] = {}
    for offer, loop, role in choices:
        mine = tags.setdefault(loop, [])
        have = {name for name, _ in mine} | {other for _, at, other in choices if at == loop}
        mine += [item for item in tags_for(browsed, offer, loop, role) if item[0] == role or item[0] not in have]
    return fragment(tags)


def as_dict(browsed: Browsed) -> dict[str, object]:
    """What was found as plain values, for JSON."""
    return {
        "endpoint": browsed.endpoint, "nodes": browsed.space.nodes, "requests": browsed.space.requests, "cut": browsed.space.cut,
        "flow_t_h": browsed.flows,
        "variables": [
            {
                "node": item.variable.node, "path": list(item.variable.path), "name": item.variable.name, "type": item.variable.data_type,
                "value": item.variable.value, "shown": item.variable.shown, "quality": item.variable.quality,
                "reason": item.variable.reason, "source_time": item.variable.source_time, "unit": item.variable.unit,
                "range": item.variable.ends, "declared": item.declared,
                "could_be": [
                    {"loop": guess.loop, "role": guess.role, "measured_in": guess.measured_in, "why": list(guess.why)}
                    for guess in item.guesses
                ],
            }
            for item in browsed.offers
        ],
    }  # fmt: skip
