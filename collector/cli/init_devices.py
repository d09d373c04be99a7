"""Devices looked at for the wizard from a terminal: one after the other, with a bar, to be broken off with Ctrl-C."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

from collector.cli.survey_progress import showing, tell
from collector.clock import Clock
from collector.commissioning.looking import Looked, ReadOnce, look, read_once
from collector.commissioning.site_draft import LoopAnswers, SiteAnswers


@dataclass(slots=True)
class OwnConnections:
    """Opens a connection for the time of a look. `rate` is the most requests a second to one device, `wait_s` the time to a second look [s]."""

    clock: Clock
    rate: float
    wait_s: float

    def look(self, found: SiteAnswers, loop: LoopAnswers, whose: str) -> Looked | None:
        """Walk the server of a side; None where it was broken off."""
        name = loop.devices[whose]
        with showing(f"looking at {name}") as show:

            def progress(seen: int, requests: int, where: str) -> None:
                show(seen, None, f"{seen} nodes, {where}" if len(where) < 24 else where)

            try:
                return asyncio.run(look(found, loop, whose, self.clock, rate=self.rate, tell=tell, progress=progress))
            except KeyboardInterrupt:
                return None

    def read(self, found: SiteAnswers, loop: LoopAnswers) -> ReadOnce | None:
        """Read the tags of a loop once; None where it was broken off."""
        with showing("reading") as show:
            try:
                return asyncio.run(
                    read_once(
                        found, loop, self.clock, rate=self.rate, wait_s=self.wait_s, tell=tell, progress=lambda done, total: show(done, total, f"{done} of {total} reads")
                    )
                )  # fmt: skip
            except KeyboardInterrupt:
                return None
