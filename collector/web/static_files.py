"""The files that pages load, read once from the package: nothing outside this list can be asked for."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from importlib import resources

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
