"""What is left of a site file with wrong parts, so that the rules can judge the rest of it in the same run."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date
from pathlib import Path
from typing import Any

from config.model import Site
from config.problems import Found, KeyPath, Places, Problem
from config.rules import findings_of
from config.validation import check_part

UNREAD = "__unread__"
"""Stands for loops that could not be read, so that they are not called missing as well."""

_ENDLESS = "1e9 t/h"
"""Stands for a range that could not be read; no rule finds anything against it."""


def without(data: dict[str, Any], wrong: Mapping[KeyPath, Problem], folder: Path | None) -> Site | None:
    """The site without its wrong parts and with stand-ins for those it must have; None where that gives no site."""
    for _ in range(8):
        for path in wrong:
            _remove(data, path)
        _stand_in(data)
        site, wrong = check_part(Site, data, (), Places(""), folder)
        if site is not None:
            return site
    return None


def judge(site: Site, today: date, wrong: Collection[KeyPath]) -> list[Found]:
    """What the rules find; nothing at, above or below a path that is wrong already, so that nothing is told twice."""
    lost = any(path[0] == "endpoints" for path in wrong)
    kept = []
    for found in findings_of(site, today):
        path = found.path
        repeated = any(path[: len(bad)] == bad or bad[: len(path)] == path for bad in wrong)
        of_a_lost_endpoint = lost and path[-1] == "endpoint"
        of_a_secret = str(path[-1]).endswith("_env") and any(bad[:-1] == path[:-1] for bad in wrong)
        if not (repeated or of_a_lost_endpoint or of_a_secret or path[:2] == ("loops", UNREAD)):
            kept.append(found)
    return kept


def _remove(data: Any, path: KeyPath) -> None:
    """Take the value at `path` out; where it is missing (that is what is wrong), the part that lacks it."""
    above: list[tuple[Any, str | int]] = []
    here = data
    for key in path:
        listed = isinstance(here, list) and isinstance(key, int) and key < len(here)
        if not (listed or (isinstance(here, dict) and key in here)):
            break
        above.append((here, key))
        here = here[key]
    if above:
        holder, key = above[-1]
        del holder[key]


def _stand_in(data: dict[str, Any]) -> None:
    data.setdefault("site", UNREAD)
    loops = data.get("loops")
    if not isinstance(loops, dict) or not loops:
        loops = data["loops"] = {UNREAD: {}}
    for loop in loops.values():
        if not isinstance(loop, dict):
            continue
        loop.setdefault("tags", {})
        for side in ("gauge", "plc"):
            part = loop.setdefault(side, {})
            span = part.setdefault("range", {}) if isinstance(part, dict) else None
            if isinstance(span, dict):
                span.setdefault("high", _ENDLESS)
