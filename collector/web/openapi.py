"""The OpenAPI document with a whole example beside every body, put together from the examples of its fields."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

JSON = "application/json"
PROBLEM = "application/problem+json"
METHODS = ("get", "post", "put", "patch", "delete")
PLAIN: Mapping[str, Any] = {"string": "", "integer": 0, "number": 0.0, "boolean": False, "null": None, "object": {}}
"""What stands where a field has no example of its own."""


def example_of(schema: Mapping[str, Any], known: Mapping[str, Any]) -> Any:
    """A value that fits a schema; fields give their own first example, objects and lists are put together from those."""
    if "$ref" in schema:
        return example_of(known[schema["$ref"].rpartition("/")[2]], known)
    if schema.get("examples"):
        return schema["examples"][0]
    for fixed in ("const", "default"):
        if fixed in schema and schema[fixed] is not None:
            return schema[fixed]
    if "enum" in schema:
        return schema["enum"][0]
    for choice in ("anyOf", "oneOf", "allOf"):
        if choice in schema:
            return example_of(next((one for one in schema[choice] if one.get("type") != "null"), schema[choice][0]), known)
    if "prefixItems" in schema:
        return [example_of(one, known) for one in schema["prefixItems"]]
    if schema.get("type") == "array":
        return [example_of(schema["items"], known)] * max(1, schema.get("minItems", 1)) if "items" in schema else []
    if "properties" in schema:
        return {name: example_of(one, known) for name, one in schema["properties"].items()}
    return PLAIN[schema.get("type", "object")]


def bodies(operation: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """The JSON contents of an operation: of its request, then of its answers."""
    for part in (operation.get("requestBody", {}), *operation.get("responses", {}).values()):
        for kind in (JSON, PROBLEM):
            if kind in part.get("content", {}):
                yield part["content"][kind]


def operations(document: Mapping[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Path, method and operation of everything that a document offers."""
    for path, methods in document["paths"].items():
        for method in METHODS:
            if method in methods:
                yield path, method, methods[method]


DOOR = {
    "400": "the request cannot be read, or names a host that is not served here",
    "401": "nobody is signed in, or the token opens nothing",
    "403": "the role or the scope does not reach so far, or the request comes from a foreign page",
    "404": "there is no such thing",
    "422": "the request does not fit",
    "503": "what is asked for is not there yet, or the history cannot be read; `detail` says which",
}
"""What every operation may answer whatever it does."""
DOOR_OF_BODIES = {"409": "the state does not allow it", "413": "the body is too large", "415": "the body is of another kind"}


def described(app: FastAPI) -> dict[str, Any]:
    """The document of an application. Errors are told as problems (RFC 9457), which is what the service answers."""
    document = get_openapi(title=app.title, version=app.version, summary=app.summary, routes=app.routes)
    known = document["components"]["schemas"]
    document["components"]["securitySchemes"] = {
        "token": {"type": "http", "scheme": "bearer", "description": "API token; `tallywire account token` makes one"},
        "session": {"type": "apiKey", "in": "cookie", "name": "__Host-tallywire", "description": "of a browser that signed in"},
    }
    for _, method, operation in operations(document):
        operation.setdefault("description", _meaning(operation, known))
        operation["security"] = [{"token": []}, {"session": []}]
        for status, text in (DOOR if method == "get" else DOOR | DOOR_OF_BODIES).items():
            operation["responses"].setdefault(status, {"description": text, "content": {JSON: {}}})
        for status, answer in operation["responses"].items():
            if not status.startswith("2") and JSON in answer.get("content", {}):
                answer["content"] = {PROBLEM: {"schema": {"$ref": "#/components/schemas/ProblemOut"}}}
        for body in bodies(operation):
            body.setdefault("example", example_of(body.get("schema", {}), known))
    return document


def _meaning(operation: Mapping[str, Any], known: Mapping[str, Any]) -> str:
    """What the answer of an operation is, by the words of its model."""
    good = next(answer for status, answer in operation["responses"].items() if status.startswith("2"))
    schema = good.get("content", {}).get(JSON, {}).get("schema", {})
    name = (schema.get("$ref") or schema.get("items", {}).get("$ref", "")).rpartition("/")[2]
    text: str = known.get(name, {}).get("description", "")
    return f"A list. {text}" if schema.get("type") == "array" else text


def install(app: FastAPI) -> None:
    """Let an application answer with this document; made once, when it is first asked for."""

    def document() -> dict[str, Any]:
        if app.openapi_schema is None:
            app.openapi_schema = described(app)
        return app.openapi_schema

    app.openapi = document  # type: ignore[method-assign]
