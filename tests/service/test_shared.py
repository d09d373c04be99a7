"""Collectors that share their loops, as processes: one hangs, one loses its link, one is killed. No loop has two writers."""

from __future__ import annotations

import asyncio
import signal
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import httpx
import psycopg.conninfo
import pytest

from tests.postgres import Server
from tests.proxy import Proxy
from tests.service.gauge import FakeGauge
from tests.service.shared import LOOPS, VALUES, Collector, Database, site_file, wait_until

TAKEOVER_S = 10.0
HALF = len(LOOPS) // 2


class Link:
    """A proxy before the server, in a thread of its own, that can be made silent."""

    def __init__(self, port: int) -> None:
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        self._proxy = Proxy(port)
        asyncio.run_coroutine_threadsafe(self._proxy.accept(), self._loop).result(10)
        self.port = self._proxy.port

    def silent(self) -> None:
        """Accept and pass nothing on, as a firewall does that drops all."""
        self._loop.call_soon_threadsafe(self._proxy.silent)

    def passing(self) -> None:
        """Pass again; what hung before has gone."""
        self._loop.call_soon_threadsafe(self._proxy.cut)
        self._loop.call_soon_threadsafe(self._proxy.pass_on)

    def close(self) -> None:
        """End it."""
        asyncio.run_coroutine_threadsafe(self._proxy.__aexit__(None, None, None), self._loop).result(10)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)
        self._loop.close()


def free_port() -> int:
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        return int(listening.getsockname()[1])


@pytest.fixture
def server() -> Iterator[Server]:
    made = Server(port=free_port(), listen="127.0.0.1")
    yield made
    made.close()


@pytest.mark.waits
@pytest.mark.crash
@pytest.mark.timeout(280)
def test_loops_change_hands_when_a_collector_hangs_is_cut_off_or_killed_and_no_loop_has_two_writers(
    server: Server, tmp_path: Path
) -> None:
    address = server.database()
    name = psycopg.conninfo.conninfo_to_dict(address)["dbname"]
    database, link = Database(address), Link(server.port)
    collectors: list[Collector] = []
    with FakeGauge(*VALUES) as gauge:
        site = site_file(tmp_path, gauge.port)
        try:
            through = f"postgresql://tallywire@127.0.0.1:{link.port}/{name}"
            one, other = (Collector(site, tmp_path / folder, at) for folder, at in (("one", address), ("other", through)))
            collectors += [one, other]
            first, second = one.process.pid, other.process.pid

            def shared() -> bool:
                return len(database.owned_by(first)) == len(database.owned_by(second)) == HALF

            def all_at(pid: int) -> bool:
                return len(database.owned_by(pid)) == len(LOOPS)

            wait_until(shared, 60, "the loops are not shared")
            wait_until(lambda: all(database.seconds(loop) for loop in LOOPS), 30, "a loop is not stored")

            one.signal(signal.SIGSTOP)
            hung = wait_until(lambda: all_at(second), TAKEOVER_S, "the loops of a collector that hangs are not taken over")
            print(f"hangs: taken over after {hung:.1f} s")
            one.signal(signal.SIGCONT)
            wait_until(shared, 60, "the loops are not shared again")
            assert database.late() == []

            link.silent()
            alone = wait_until(lambda: all_at(first), TAKEOVER_S, "the loops of a collector that is cut off are not taken over")
            print(f"cut off: taken over after {alone:.1f} s")
            told = httpx.get(f"{other.page}/metrics", timeout=10, trust_env=False).text
            assert 'tallywire_problem{problem="leases"} 1.0' in told
            before = gauge.reads
            wait_until(lambda: gauge.reads > before + 6, 20, "nothing is read any more")
            link.passing()
            wait_until(shared, 60, "the loops are not shared again")
            assert database.late() == []

            one.signal(signal.SIGKILL)
            killed = wait_until(
                lambda: all_at(second), TAKEOVER_S, "the loops of a collector that was killed are not taken over"
            )
            print(f"killed: taken over after {killed:.1f} s")
            until = {loop: database.seconds(loop)[-1] for loop in LOOPS}
            wait_until(
                lambda: all(database.seconds(loop)[-1] > until[loop] for loop in LOOPS), 20, "a loop is not stored any more"
            )
            assert database.late() == []
            gaps = database.gaps()
            print(f"times without a row: {gaps}")
            longest = max(TAKEOVER_S, hung, alone, killed)
            assert max(gap for _, _, gap in gaps) <= longest + 2.0, "two seconds are not closed yet when a collector goes"
            assert gauge.others == 0
        finally:
            for collector in collectors:
                collector.end()
            link.close()
            database.close()


@pytest.mark.waits
@pytest.mark.crash
@pytest.mark.timeout(200)
def test_database_that_is_away_for_a_while_is_told_costs_no_second_and_leaves_the_pages_open(
    server: Server, tmp_path: Path
) -> None:
    address = server.database()
    with FakeGauge(*VALUES) as gauge:
        collector = Collector(site_file(tmp_path, gauge.port), tmp_path / "one", address)
        try:
            database = Database(address)
            wait_until(lambda: all(database.seconds(loop) for loop in LOOPS), 60, "a loop is not stored")
            httpx.get(collector.page, timeout=20, trust_env=False).raise_for_status()
            database.close()
            server.kill()

            def told(path: str, what: str) -> bool:
                answer = httpx.get(f"{collector.page}{path}", timeout=20, trust_env=False)
                return answer.status_code == 200 and what in answer.text

            wait_until(
                lambda: told("/metrics", 'problem="history"') and told("/metrics", 'problem="leases"'), 60, "it is not told"
            )
            wait_until(lambda: told("/", "verifying in memory since"), 60, "the site page does not tell it")
            wait_until(lambda: told("/loops/TB-07", "the database is away"), 60, "the page of a loop does not open")
            before = gauge.reads
            wait_until(lambda: gauge.reads > before + 5, 20, "nothing is read any more")
            server.start()
            wait_until(
                lambda: told("/metrics", "tallywire_loops_held 6.0") and not told("/metrics", "problem="), 30, "it is not back"
            )
            database = Database(address)
            found = {loop: database.seconds(loop) for loop in LOOPS}
            assert {loop: database.owners()[loop] for loop in LOOPS} == dict.fromkeys(LOOPS, database.owners()["TB-07"])
            assert database.gaps() == []
            assert min(len(seconds) for seconds in found.values()) > 10
            assert database.rows("SELECT DISTINCT epoch FROM samples") == [(1,)]
            database.close()
        finally:
            collector.end()
