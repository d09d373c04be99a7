"""A site as it would be: some of its settings changed on the command line, held against the same rules as a site file."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from difflib import get_close_matches
from typing import Any

from pydantic import ValidationError
from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from collector.clock import SystemClock
from config.errors import TallywireError
from config.load import LoadedSite
from config.model import Loop, Site
from config.remainder import judge

CALLED = {("limits", "scaling"): ("limits", "link")}
"""Names that people use after the check, and the keys of the site file."""
EXAMPLE = "such as --set limits.link.fault='0.8 %' (every loop), or TB-07.gauge.damping='12 s' (one loop)"


def changed(loaded: LoadedSite, settings: Sequence[str]) -> LoadedSite:
    """The site with every `KEY=VALUE`; a key of a loop holds for every loop, unless the id of one stands before it.

    A value is written as in the site file; a bare number is in the unit of the key.

    Raises
    ------
    TallywireError
        No such key, a value that it cannot have, or a site that no rule would let pass.
    """
    raw: dict[str, Any] = loaded.site.model_dump(by_alias=True)
    for setting in settings:
        key, equals, text = setting.partition("=")
        if not equals or not key.strip():
            raise TallywireError(f"{setting!r} is no KEY=VALUE", where="--set", fix=EXAMPLE)
        value = _value(text, setting)
        for path in _paths(key.strip(), loaded.site, setting):
            _put(raw, path, value, setting)
    try:
        site = Site.model_validate(raw)
    except ValidationError as error:
        first = error.errors()[0]
        raise TallywireError(
            f"{'.'.join(map(str, first['loc']))}: {first['msg']}", where=f"--set {', '.join(settings)}", fix=EXAMPLE
        ) from error
    told = judge(site, datetime.fromtimestamp(SystemClock().now(), UTC).date(), ())
    before = {
        (found.path, found.what) for found in judge(loaded.site, datetime.fromtimestamp(SystemClock().now(), UTC).date(), ())
    }
    wrong = [found for found in told if not found.warning and (found.path, found.what) not in before]
    if wrong:
        raise TallywireError(
            f"{'.'.join(map(str, wrong[0].path))}: {wrong[0].what}", where="--set", fix=f"allowed: {wrong[0].allowed}"
        )
    digest = hashlib.sha256("\n".join([loaded.sha256, *settings]).encode()).hexdigest()
    return replace(loaded, site=site, sha256=digest)


def _value(text: str, setting: str) -> Any:
    try:
        return YAML(typ="safe").load(text)
    except YAMLError as error:
        raise TallywireError(f"the value of {setting!r} cannot be read", where="--set", fix=EXAMPLE) from error


def _paths(key: str, site: Site, setting: str) -> list[list[str]]:
    parts = key.split(".")
    for called, known in CALLED.items():
        for at in (0, 1):
            if tuple(parts[at : at + len(called)]) == called:
                parts[at : at + len(called)] = known
    if parts[0] in site.loops:
        return [["loops", *parts]]
    if parts[0] in Loop.model_fields:
        return [["loops", loop, *parts] for loop in site.loops]
    if parts[0] in Site.model_fields:
        return [parts]
    raise _unknown(parts[0], [*Loop.model_fields, *site.loops, *Site.model_fields], setting)


def _put(raw: dict[str, Any], path: Sequence[str], value: Any, setting: str) -> None:
    here = raw
    for key in path[:-1]:
        if not isinstance(here, dict) or key not in here:
            raise _unknown(key, here, setting)
        if here[key] is None:
            here[key] = {}
        here = here[key]
    if not isinstance(here, dict) or (here and path[-1] not in here):
        raise _unknown(path[-1], here, setting)
    here[path[-1]] = value


def _unknown(key: str, known: Any, setting: str) -> TallywireError:
    names = [str(name) for name in known] if isinstance(known, dict | list) else []
    near = get_close_matches(key, names, n=1)
    fix = f"did you mean {near[0]!r}?" if near else f"there is {', '.join(names[:12])}" if names else EXAMPLE
    return TallywireError(f"there is no key {key!r} in {setting.partition('=')[0]!r}", where="--set", fix=fix)
