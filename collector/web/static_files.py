"""The files that pages load, read once from the package: nothing outside this list can be asked for."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from importlib import resources

from fastapi import FastAPI
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

KINDS = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}


@dataclass(frozen=True, slots=True, kw_only=True)
class StaticFile:
    """One file: its bytes, media type and a short hash that marks its version."""

    body: bytes
    media_type: str
    version: str


def load() -> dict[str, StaticFile]:
    """All files of the folder `static`, by name."""
    found: dict[str, StaticFile] = {}
    for item in resources.files("collector.web").joinpath("static").iterdir():
        suffix = "." + item.name.rpartition(".")[2]
        if item.is_file() and suffix in KINDS:
            body = item.read_bytes()
            found[item.name] = StaticFile(body=body, media_type=KINDS[suffix], version=hashlib.sha256(body).hexdigest()[:12])
    return found


def serve(app: FastAPI, files: dict[str, StaticFile]) -> None:
    """Give the files under /static, with their version as entity tag."""

    @app.get("/static/{name}", include_in_schema=False)
    async def static(request: Request, name: str) -> Response:
        file = files.get(name)
        if file is None:
            raise HTTPException(404, "there is no such file")
        tag = f'"{file.version}"'
        headers = {"ETag": tag, "Cache-Control": "no-cache"}
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers=headers)
        return Response(file.body, media_type=file.media_type, headers=headers)
