"""Which kind a part is: an endpoint by its protocol, a delivery by its kind, a tag by the protocol of its endpoint.

Each is validated as what it is and put back into the data as a model, so that no message speaks of kinds it is not.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pydantic import BaseModel

from config.deliveries import ChatDelivery, MailDelivery, WebhookDelivery
from config.model import ModbusEndpoint, ModbusTag, OpcUaEndpoint, OpcUaTag, RecordedTag
from config.problems import KeyPath, Places, Problem, meant
from config.validation import check_part, keys_of

Wrong = dict[KeyPath, Problem]

ENDPOINTS: dict[str, type[BaseModel]] = {"modbus": ModbusEndpoint, "opcua": OpcUaEndpoint}
DELIVERIES: dict[str, type[BaseModel]] = {"mail": MailDelivery, "chat": ChatDelivery, "webhook": WebhookDelivery}
TAGS: dict[str, type[BaseModel]] = {"modbus": ModbusTag, "opcua": OpcUaTag}


def choose_parts(data: dict[str, Any], places: Places, folder: Path | None) -> Wrong:
    """Replace the endpoints, deliveries and tags in `data` by models; take out the wrong ones and tell what is wrong."""
    endpoints = data.get("endpoints")
    protocols = {
        name: str(raw.get("protocol", "")) for name, raw in endpoints.items() if isinstance(raw, dict)
    } if isinstance(endpoints, dict) else {}  # fmt: skip
    wrong: Wrong = {}
    _by_word(data.get("endpoints"), ("endpoints",), "protocol", ENDPOINTS, places, folder, wrong)
    _by_word(data.get("deliveries"), ("deliveries",), "kind", DELIVERIES, places, folder, wrong)
    loops = data.get("loops")
    for loop_id, loop in loops.items() if isinstance(loops, dict) else ():
        tags = loop.get("tags") if isinstance(loop, dict) else None
        if not isinstance(tags, dict):
            continue
        for role in list(tags):
            path: KeyPath = ("loops", loop_id, "tags", role)
            part = _tag(tags[role], path, protocols, places, folder, wrong)
            if part is None:
                del tags[role]
            else:
                tags[role] = part
    return wrong


def _by_word(
    parts: Any,
    path: KeyPath,
    word: str,
    kinds: dict[str, type[BaseModel]],
    places: Places,
    folder: Path | None,
    wrong: Wrong,
) -> None:
    """Validate each of `parts` as the kind that its `word` names."""
    if not isinstance(parts, dict):
        return
    for name in list(parts):
        here, raw = (*path, name), parts[name]
        part: BaseModel | None = None
        if not isinstance(raw, dict):
            wrong[here] = places.problem(here, "a mapping is needed here", f"begin with `{word}: {' | '.join(kinds)}`")
        elif word not in raw:
            wrong[here] = places.problem(here, f"the key {word!r} is missing", f"allowed: {', '.join(kinds)}")
        elif raw[word] not in kinds:
            told = meant(str(raw[word]), kinds).replace("known:", "allowed:")
            wrong[(*here, word)] = places.problem((*here, word), f"{raw[word]!r} is no {word} of {path[0]}", told)
        else:
            part, found = check_part(kinds[raw[word]], raw, here, places, folder)
            wrong.update(found)
        if part is None:
            del parts[name]
        else:
            parts[name] = part


def _tag(
    raw: Any, path: KeyPath, protocols: dict[str, str], places: Places, folder: Path | None, wrong: Wrong
) -> BaseModel | None:
    if not isinstance(raw, dict):
        what = "nothing stands here" if raw is None else "a tag is a mapping"
        allowed = "name an endpoint and an address, or write {} for a role that only recorded data carry"
        wrong[path] = places.problem(path, what, allowed)
        return None
    kind = _kind(raw, protocols)
    name = raw.get("endpoint")
    if "endpoint" in raw and (not isinstance(name, str) or name not in protocols):
        here = (*path, "endpoint")
        wrong[here] = places.problem(here, f"there is no endpoint {name!r}", meant(str(name), protocols))
    elif "endpoint" not in raw and kind is not RecordedTag:
        listed = f"known: {', '.join(protocols)}" if protocols else "describe one under `endpoints:`"
        wrong[(*path, "endpoint")] = places.problem(path, "the tag has an address, but no endpoint to read it from", listed)
    if "endpoint" not in raw and kind is not RecordedTag:
        raw = {**raw, "endpoint": ""}
    other = next((model for model in TAGS.values() if model is not kind), None) if kind is not RecordedTag else None
    part, found = check_part(kind, raw, path, places, folder)
    foreign = [key for key in raw if other is not None and key in keys_of(other) and key not in keys_of(kind)]
    for where, problem in found.items():
        key = str(where[-1])
        if foreign and problem.what.endswith("is missing"):
            continue
        if key in foreign and problem.what.startswith("unknown key"):
            protocol = next(word for word, model in TAGS.items() if model is kind)
            what = f"a tag of the {protocol} endpoint {name!r} has no {key!r}"
            problem = Problem(problem.place, problem.path, what, f"keys: {', '.join(keys_of(kind))}")
        wrong.setdefault(where, problem)
    return part


def _kind(raw: dict[str, Any], protocols: dict[str, str]) -> type[BaseModel]:
    """By the endpoint; where that is not known, by the key that only one kind has."""
    protocol = protocols.get(str(raw.get("endpoint", "")), "")
    if protocol in TAGS:
        return TAGS[protocol]
    if "node" in raw:
        return OpcUaTag
    return ModbusTag if "endpoint" in raw or "address" in raw else RecordedTag
