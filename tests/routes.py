"""Routes that a process of tests has read, for every application that is made in it.

An application has hundreds of routes, and of each the annotations are evaluated and the schemas of its models built; both depend on
the code alone. What is remembered holds on to what it was made from, so that no address in a key comes to mean something else.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from types import FunctionType
from typing import Any, get_args, get_origin

import pytest
from fastapi._compat import v2
from fastapi.dependencies import utils
from pydantic import ConfigDict, TypeAdapter

PLAIN = (type(None), str, int, float, bool)
"""Defaults, and annotations that wait to be evaluated, are equal where they look alike; objects need not be."""


class RoutesReadOnce:
    """Schemas by annotation and signatures by code, in place of the functions of the library that make them."""

    def __init__(self) -> None:
        self._adapters: dict[object, TypeAdapter[Any]] = {}
        self._signatures: dict[object, tuple[FunctionType, inspect.Signature]] = {}
        self._read: Callable[[Callable[..., Any]], inspect.Signature] = utils._get_signature

    def install(self, patch: pytest.MonkeyPatch) -> None:
        """Take their places until the patch is undone; AttributeError where another release has no such places."""
        patch.setattr(v2, "TypeAdapter", self.adapter)
        patch.setattr(utils, "_get_signature", self.signature)

    def adapter(self, annotation: Any, *, config: ConfigDict | None = None) -> TypeAdapter[Any]:
        """The adapter of an annotation with its metadata."""
        key = (_key(annotation), repr(config))
        if key not in self._adapters:
            self._adapters[key] = TypeAdapter(annotation, config=config)
        return self._adapters[key]

    def signature(self, call: Callable[..., Any]) -> inspect.Signature:
        """The signature of a function with its annotations evaluated."""
        if not isinstance(call, FunctionType) or hasattr(call, "__wrapped__"):
            return self._read(call)
        named = call.__kwdefaults__ or {}
        defaults = (*(call.__defaults__ or ()), *named.values())
        if not all(isinstance(value, PLAIN) for value in (*defaults, *call.__annotations__.values())):
            return self._read(call)
        written = tuple(call.__annotations__.items())
        key = (call.__code__, id(call.__globals__), written, repr(call.__defaults__), repr(named))
        if key not in self._signatures:
            self._signatures[key] = (call, self._read(call))
        return self._signatures[key][1]


def _key(annotation: Any) -> object:
    parts = get_args(annotation)
    if parts:
        return (get_origin(annotation), *map(_key, parts))
    return annotation if callable(annotation) else repr(annotation)
