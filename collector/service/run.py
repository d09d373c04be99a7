"""The service: read the site file, start everything, wait for a signal, stop in order."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceOptions:
    """What `tallywire run` is told.

    `data` None is `$STATE_DIRECTORY`, else the user data folder; `port` overrides the site file's (0: any free one, printed);
    `log_format` is `json` or `text`; `history` are recorded files that are brought into an empty history before the start.
    """

    site: Path
    data: Path | None = None
    port: int | None = None
    log_format: str = "json"
    history: list[Path] = field(default_factory=list)


async def run_service(options: ServiceOptions) -> int:
    """Run until SIGTERM or SIGINT and return the exit code."""
    raise NotImplementedError
