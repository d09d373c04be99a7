"""A site of answers that are not complete yet, so that its devices can be looked at."""

from __future__ import annotations

from dataclasses import replace

from collector.commissioning.site_draft import SIDES, LoopAnswers, SiteAnswers, site_text, usual_device
from config.errors import TallywireError
from config.load import parse_site
from config.model import Loop, Site
from config.problems import SiteFileError

FILE = "the answers"
STAND_IN = {"modbus": "input 0", "opcua": "i=84"}
"""What stands for the flow where it is not known yet; it is taken out again and never read."""


def partial_site(found: SiteAnswers, loop: LoopAnswers) -> Site:
    """The site as far as it is answered, with the tags that are known; the other loops are left out where they are not sound yet.

    Raises
    ------
    TallywireError
        The answers cannot be: which, and why.
    """
    others = [other for other in found.loops if other.name != loop.name]
    try:
        return _site(found, [*others, loop])
    except SiteFileError:
        pass
    try:
        return _site(found, [loop])
    except SiteFileError as error:
        problem = error.problems[0]
        raise TallywireError(
            f"the answers so far cannot be: {problem.what}", where=problem.path, fix=problem.allowed or "mend that answer first"
        ) from error


def _site(found: SiteAnswers, loops: list[LoopAnswers]) -> Site:
    without = {loop.name for loop in loops if "flow" not in loop.tags}
    whole = [_with_flow(found, loop) if loop.name in without else loop for loop in loops]
    site = parse_site(site_text(SiteAnswers(found.site, found.endpoints, whole)), FILE).site
    return site.model_copy(
        update={"loops": {name: _without_flow(loop) if name in without else loop for name, loop in site.loops.items()}}
    )


def _with_flow(found: SiteAnswers, loop: LoopAnswers) -> LoopAnswers:
    device = loop.devices.get("gauge") or usual_device(found, next(iter(SIDES)))
    tags = {**loop.tags, "flow": STAND_IN[found.endpoints[device]["protocol"]]}
    return replace(loop, devices={**loop.devices, "gauge": device}, tags=tags)


def _without_flow(loop: Loop) -> Loop:
    return loop.model_copy(update={"tags": {role: tag for role, tag in loop.tags.items() if role != "flow"}})
