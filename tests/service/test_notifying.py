"""What is told to a service manager, on a socket like the one that it opens (sd_notify(3), sd_watchdog_enabled(3))."""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.clock import ManualClock
from collector.service.notifying import STATUS_EVERY_S, Notifier
from tests.service.waiting import until


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(tmp_path / "notify"))
        listening.setblocking(False)
        yield listening


def heard(manager: socket.socket) -> list[str]:
    out = []
    try:
        while True:
            out.append(manager.recv(4096).decode())
    except BlockingIOError:
        return out


async def settled() -> None:
    """Let every task run until all of them wait."""
    for _ in range(10):
        await asyncio.sleep(0)


def notifier(manager: socket.socket, clock: ManualClock, **more: str) -> Notifier:
    return Notifier({"NOTIFY_SOCKET": manager.getsockname(), **more}, clock, lambda: "3 loops: 3 agree.")


def test_lines_arrive_in_one_message(manager: socket.socket) -> None:
    notifier(manager, ManualClock()).say("READY=1", "STATUS=3 loops")
    assert heard(manager) == ["READY=1\nSTATUS=3 loops"]


@pytest.mark.parametrize(
    ("more", "period"),
    [
        ({"WATCHDOG_USEC": "60000000"}, 20.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": str(os.getpid())}, 20.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "1"}, STATUS_EVERY_S),
        ({"WATCHDOG_USEC": "600000000"}, STATUS_EVERY_S),
        ({"WATCHDOG_USEC": "soon"}, STATUS_EVERY_S),
        ({}, STATUS_EVERY_S),
    ],
)
async def test_the_watchdog_is_fed_three_times_in_what_it_allows(
    manager: socket.socket, more: dict[str, str], period: float
) -> None:
    clock, stop = ManualClock(), asyncio.Event()
    running = asyncio.create_task(notifier(manager, clock, **more).run(stop))
    await settled()
    await clock.advance(period - 0.1)
    await settled()
    assert heard(manager) == []
    for _ in range(2):
        await clock.advance(period)
        await settled()
        said = heard(manager)
        assert said == ["WATCHDOG=1\nSTATUS=3 loops: 3 agree."]
    stop.set()
    await until(running.done)
    assert heard(manager) == ["STOPPING=1"]


def test_a_manager_that_does_not_read_holds_nothing_up(manager: socket.socket) -> None:
    """A datagram socket holds some ten messages (unix(7), max_dgram_qlen); the next one would wait for ever."""
    for _ in range(500):
        notifier(manager, ManualClock()).say("WATCHDOG=1")
    assert 0 < len(heard(manager)) < 500


async def test_without_a_manager_nothing_is_said_and_nothing_fails(tmp_path: Path) -> None:
    nobody = Notifier({}, ManualClock(), lambda: "")
    assert not nobody.active
    nobody.say("READY=1")
    gone = Notifier({"NOTIFY_SOCKET": str(tmp_path / "gone")}, ManualClock(), lambda: "")
    assert gone.active
    gone.say("READY=1")


def test_an_abstract_socket_is_one_with_an_at_sign() -> None:
    name = f"tallywire-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(f"\0{name}")
        Notifier({"NOTIFY_SOCKET": f"@{name}"}, ManualClock(), lambda: "").say("READY=1")
        listening.settimeout(5.0)
        assert listening.recv(64) == b"READY=1"
