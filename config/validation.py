"""Pydantic's findings told in the words of the site file: which key, what is wrong with it, what may stand there."""

from __future__ import annotations

import types
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError, WithJsonSchema
from pydantic_core import ErrorDetails

from config.problems import KeyPath, Places, Problem, meant

Model = TypeVar("Model", bound=BaseModel)


def check_part(
    model: type[Model], data: object, path: KeyPath, places: Places, folder: Path | None
) -> tuple[Model | None, dict[KeyPath, Problem]]:
    """Validate one part of a site; None and every problem by its path where it is wrong."""
    if not isinstance(data, Mapping):
        what = "nothing stands here" if data is None else f"a mapping is needed here, not {_shown(data)}"
        return None, {path: places.problem(path, what, f"keys: {', '.join(keys_of(model))}")}
    try:
        return model.model_validate(data, context={"from_file": True, "folder": folder}), {}
    except ValidationError as error:
        found: dict[KeyPath, Problem] = {}
        for detail in error.errors(include_url=False):
            where = (*path, *(key for key in detail["loc"] if key != "[key]"))
            found.setdefault(where, _told(detail, model, where, len(path), places))
        return None, found


def keys_of(model: type[BaseModel]) -> list[str]:
    """The keys of a part as they are written in the file."""
    return [entry.alias or name for name, entry in model.model_fields.items()]


def model_at(model: type[BaseModel], path: KeyPath) -> type[BaseModel] | None:
    """The model that describes the mapping at `path` below `model`, None where it is no model."""
    here: Any = model
    for key in path:
        if isinstance(here, type) and issubclass(here, BaseModel):
            names = {entry.alias or name: entry for name, entry in here.model_fields.items()}
            if key not in names:
                return None
            here = _bare(names[str(key)].annotation)
        elif get_origin(here) is dict:
            here = _bare(get_args(here)[1])
        elif get_origin(here) is tuple and isinstance(key, int):
            here = _bare(get_args(here)[0])
        else:
            return None
    return here if isinstance(here, type) and issubclass(here, BaseModel) else None


def _bare(annotation: Any) -> Any:
    """An annotation without `Annotated` and without `| None`."""
    if hasattr(annotation, "__metadata__"):
        return _bare(annotation.__origin__)
    if get_origin(annotation) in (Union, types.UnionType):
        rest = [arg for arg in get_args(annotation) if arg is not type(None)]
        if len(rest) == 1:
            return _bare(rest[0])
    return annotation


def _example(model: type[BaseModel] | None, key: str) -> str:
    """`high: 420 t/h` for a key that is a quantity, else what the key is."""
    if model is None:
        return ""
    for name, entry in model.model_fields.items():
        if key == (entry.alias or name):
            for mark in entry.metadata:
                if isinstance(mark, WithJsonSchema) and mark.json_schema and "examples" in mark.json_schema:
                    return f"for example `{key}: {mark.json_schema['examples'][0]}`"
            inner = _bare(entry.annotation)
            if isinstance(inner, type) and issubclass(inner, BaseModel):
                return f"a mapping with {', '.join(keys_of(inner))}"
    return ""


def _shown(value: object) -> str:
    text = {"NoneType": "nothing", "dict": "a mapping", "list": "a list"}.get(type(value).__name__, repr(value))
    return text if len(text) <= 60 else text[:57] + "..."


def _told(detail: ErrorDetails, root: type[BaseModel], where: KeyPath, depth: int, places: Places) -> Problem:
    kind, given, context = detail["type"], detail["input"], detail.get("ctx", {})
    key = str(where[-1]) if where else ""
    parent = model_at(root, where[depth:-1]) if len(where) > depth else None
    if kind == "extra_forbidden":
        above = places.of(where)
        return Problem(
            above, places.problem(where, "").path, f"unknown key {key!r}", meant(key, keys_of(parent) if parent else [])
        )
    if kind == "missing":
        return places.problem(where, f"the key {key!r} is missing", _example(parent, key))
    if kind == "value_error":
        what, _, allowed = str(context["error"]).partition("; use one of: ")
        return places.problem(where, what, f"units: {allowed}" if allowed else "")
    if kind in ("literal_error", "enum"):
        return places.problem(where, f"{_shown(given)} is none of the allowed values", f"allowed: {context['expected']}")
    if kind in ("model_type", "dict_type", "model_attributes_type"):
        return places.problem(where, f"a mapping is needed here, not {_shown(given)}", _keys(model_at(root, where[depth:])))
    if kind == "tuple_type":
        return places.problem(where, f"a list is needed here, not {_shown(given)}", f"for example `{key}: [first, second]`")
    if kind == "too_short":
        return places.problem(where, f"{key!r} is empty; at least one entry is needed")
    if kind == "string_pattern_mismatch":
        return places.problem(where, f"{_shown(given)} cannot stand here", _pattern(str(context.get("pattern", ""))))
    if kind.startswith("date"):
        return places.problem(where, f"{_shown(given)} is no date", "a day as year-month-day, for example 2019-05-01")
    if kind.startswith("bool"):
        return places.problem(where, f"{_shown(given)} is neither true nor false", "allowed: true, false")
    if given is None:
        return places.problem(where, "nothing stands here", _example(parent, key) or "give a value or take the key out")
    told = detail["msg"].replace("Input should be", "must be").replace("String should have", "must have")
    return places.problem(where, f"{_shown(given)}: {told[0].lower()}{told[1:]}")


def _keys(model: type[BaseModel] | None) -> str:
    return f"keys: {', '.join(keys_of(model))}" if model else "write `key: value` lines below it, indented"


def _pattern(pattern: str) -> str:
    if pattern.startswith("^opc"):
        return "an address such as opc.tcp://192.0.2.10:4840"
    return "letters, digits, `_` and `-` only, as in TB-07" if "A-Za-z0-9_-" in pattern else f"must match {pattern}"
