"""The service's side of what is published: it starts the child, tells it every loop once a second, and notices when it hangs."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import os
import sys
from dataclasses import asdict
from typing import Any

from collector.clock import Clock
from collector.delivery.secrets import read_secret
from collector.live import LiveState
from collector.logs import event
from collector.publish.painter import Painter
from collector.publish.picture import to_line
from collector.service.supervisor import sleep_or_stop
from config.errors import AddressError, TallywireError
from config.publish import Publish

BEAT_S = 1.0
ANSWERS_WITHIN_S = 10.0
STARTS_WITHIN_S = 60.0
ENDS_WITHIN_S = 0.4
LONGEST_ANSWER = 1 << 16


class Publisher:
    """Publishes the live state as the site file says.

    `open` before `run`: a port that is taken is bad input. A child that ends or does not answer in 10 s ends `run` with an
    error; the next `run` starts a new one on the same ports.
    """

    def __init__(self, live: LiveState, clock: Clock) -> None:
        self._live = live
        self._clock = clock
        self._painter = Painter(live, clock)
        self._publish = live.site.publish
        self._child: asyncio.subprocess.Process | None = None
        self._beat = 0

    async def open(self) -> dict[str, str]:
        """Start the child and wait until it listens; the address by protocol.

        Raises
        ------
        AddressError
            A port cannot be bound, or a certificate or key cannot be used.
        TallywireError
            A password cannot be read, or others may read the key.
        """
        _refuse_open_key(self._publish)
        order = {"publish": self._publish.model_dump(mode="json"), "passwords": self._passwords(), "loops": self._loops()}
        self._child = child = await asyncio.create_subprocess_exec(
            sys.executable, "-P", "-m", "collector.publish",
            stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE, process_group=0, limit=LONGEST_ANSWER,
        )  # fmt: skip
        assert child.stdin is not None
        child.stdin.write(json.dumps(order).encode() + b"\n")
        try:
            answer = await asyncio.wait_for(self._answer(child), STARTS_WITHIN_S)
        except (TimeoutError, ValueError, ConnectionError):
            answer = {"error": "its process did not start; see its message above"}
        if "at" not in answer:
            await self.close()
            file = str(answer.get("file", ""))
            told = f"{file}: {answer['error']}" if file else str(answer["error"])
            raise AddressError(
                f"verdicts cannot be published ({told})", where="publish",
                fix="stop what listens on these ports or name others; check certificate, key and clients",
            )  # fmt: skip
        at: dict[str, str] = answer["at"]
        self._publish = _on_ports(self._publish, at)
        self._live.published = at
        return at

    async def run(self, stop: asyncio.Event) -> None:
        """Tell every loop once a second until told to stop; then the child ends, so that no old value stays in sight."""
        try:
            if self._child is None:
                await self.open()
                event(logging.INFO, "published", "verdicts are published again", **self._live.published)
            deadline = self._clock.monotonic()
            while not stop.is_set():
                await asyncio.wait_for(self._tell(), ANSWERS_WITHIN_S)
                deadline = max(deadline + BEAT_S, self._clock.monotonic())
                await sleep_or_stop(self._clock, deadline, stop)
        except TimeoutError as error:
            raise RuntimeError(f"what publishes did not answer in {ANSWERS_WITHIN_S:g} s") from error
        finally:
            await self.close()

    async def close(self) -> None:
        """End the child; a second time does nothing."""
        child, self._child = self._child, None
        self._live.published_to = {}
        if child is None or child.stdin is None:
            return
        child.stdin.close()
        try:
            await asyncio.wait_for(child.wait(), ENDS_WITHIN_S)
        except (TimeoutError, asyncio.CancelledError):
            with contextlib.suppress(ProcessLookupError):
                child.kill()
            await child.wait()

    async def _tell(self) -> None:
        child = self._child
        assert child is not None
        assert child.stdin is not None
        self._beat += 1
        child.stdin.write(to_line(self._beat, self._clock.now(), self._painter.paint()))
        await child.stdin.drain()
        answer = await self._answer(child)
        self._live.published_to = dict(answer["clients"])
        self._live.counters["publish_refused"] = float(answer["refused"])

    async def _answer(self, child: asyncio.subprocess.Process) -> dict[str, Any]:
        assert child.stdout is not None
        line = await child.stdout.readline()
        if not line:
            raise ConnectionError(f"what publishes has ended (exit code {await child.wait()})")
        answer: dict[str, Any] = json.loads(line)
        return answer

    def _loops(self) -> list[dict[str, Any]]:
        return [asdict(picture) for picture in self._painter.paint()]

    def _passwords(self) -> dict[str, str]:
        opcua = self._publish.opcua
        if opcua is None:
            return {}
        found = {}
        for name, user in opcua.users.items():
            try:
                found[name] = read_secret(f"the user {name}", env=user.password_env, file=user.password_file)
            except TallywireError as error:
                raise TallywireError(error.what, where=error.where or f"publish.opcua.users.{name}", fix=error.fix) from error
        return found


def _refuse_open_key(publish: Publish) -> None:
    """Raise where others may read the private key; a file that is not there is told by the child."""
    key = publish.opcua.key if publish.opcua is not None else None
    if key is not None and os.name == "posix" and key.exists() and key.stat().st_mode & 0o077:
        raise TallywireError("publish.opcua.key: others may read the private key", where=str(key), fix=f"chmod 600 {key.name}")


def _on_ports(publish: Publish, at: dict[str, str]) -> Publish:
    """The same with the ports that were found free, so that a new child is found where the old one was."""
    found = {}
    for protocol, address in at.items():
        part = getattr(publish, protocol)
        port = int(address.removesuffix("/tallywire").rpartition(":")[2])
        found[protocol] = part.model_copy(update={"port": port})
    return publish.model_copy(update=found)


def publisher_of(live: LiveState, clock: Clock) -> Publisher | None:
    """What publishes for this site, None where nothing is published."""
    publish = live.site.publish
    return None if publish.opcua is None and publish.modbus is None else Publisher(live, clock)
