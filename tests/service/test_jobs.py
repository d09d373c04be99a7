"""The slow jobs, called by hand."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from collector.clock import ManualClock
from collector.live import EndpointStatus, LiveState
from collector.records.book import Record
from collector.records.scheduled import Made, ScheduledReports
from collector.service.jobs import Jobs, certificate_ends
from collector.service.keeping import Keeper
from config.model import Site
from tests.service.fakes import T0, MemoryStore, site
from tests.service.waiting import SOON, until


class Slow:
    """Jobs over a store in memory."""

    def __init__(self, part: Site | None = None, files: tuple[Path, ...] = ()) -> None:
        self.executor = ThreadPoolExecutor(1)
        self.clock = ManualClock(T0)
        self.live = LiveState(site() if part is None else part, "")
        self.store = MemoryStore()
        self.keeper = Keeper(self.store, self.live, self.clock, self.executor)
        self.jobs = Jobs(self.live, self.store, self.keeper, self.clock, self.executor, files)

    async def kept(self) -> list[str]:
        """Kinds of the events that were kept."""
        stop = asyncio.Event()
        stop.set()
        await asyncio.wait_for(self.keeper.run(stop), SOON)
        return [event.kind for event in self.store.ledger]


@pytest.fixture
def slow() -> Iterator[Slow]:
    holder = Slow()
    yield holder
    holder.executor.shutdown()


def certificate(path: Path, days: float) -> None:
    """A self-signed certificate that ends so many days after T0."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "gauge")])
    begin = datetime.fromtimestamp(T0, UTC) - timedelta(days=400)
    built = x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key()).serial_number(7)
    built = built.not_valid_before(begin)
    end = datetime.fromtimestamp(T0, UTC) + timedelta(days=days)
    path.write_bytes(built.not_valid_after(end).sign(key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM))


async def test_site_file_that_changed_on_disk_is_said_until_it_is_back(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    slow = Slow(files=(path,))
    path.write_bytes(b"site: terminal\n")
    slow.live.site_sha256 = hashlib.sha256(b"site: terminal\n").hexdigest()
    await slow.jobs.watch_site_file()
    assert "site-file" not in slow.live.problems
    path.write_bytes(b"site: other\n")
    await slow.jobs.watch_site_file()
    assert "has changed since the start" in slow.live.problems["site-file"]
    path.unlink()
    await slow.jobs.watch_site_file()
    assert "cannot be read" in slow.live.problems["site-file"]
    path.write_bytes(b"site: terminal\n")
    await slow.jobs.watch_site_file()
    assert "site-file" not in slow.live.problems
    slow.executor.shutdown()


async def test_certificate_near_its_end_is_a_problem_and_one_event(tmp_path: Path) -> None:
    path = tmp_path / "client.pem"
    certificate(path, days=10)
    endpoint = {"protocol": "opcua", "url": "opc.tcp://127.0.0.1:4840", "client_certificate": str(path)}
    base = site()
    slow = Slow(Site.model_validate({**base.model_dump(by_alias=True), "endpoints": {"gauge": endpoint}}))
    slow.live.endpoints["gauge"] = EndpointStatus(name="gauge", protocol="opcua")
    await slow.jobs.certificates()
    await slow.jobs.certificates()
    (problem,) = slow.live.problems.values()
    assert "expires on 2027-01-25" in problem
    assert await slow.kept() == ["certificate-expires"]
    assert slow.live.endpoints["gauge"].certificate_expires == pytest.approx(T0 + 10 * 86400)
    certificate(path, days=300)
    await slow.jobs.certificates()
    assert slow.live.problems == {}
    path.write_text("nothing")
    assert list(dict(certificate_ends(slow.live.site)).values()) == [None]
    slow.executor.shutdown()


async def test_daily_summary_says_what_was_measured(slow: Slow) -> None:
    await slow.jobs.daily_summary()
    assert await slow.kept() == ["daily-summary"]
    assert slow.store.ledger[0].text == "2027-01-14: nothing was measured"
    assert slow.store.ledger[0].loop == "TB-07"


async def test_scheduler_starts_and_ends_with_the_stop(slow: Slow) -> None:
    stop = asyncio.Event()
    running = asyncio.create_task(slow.jobs.run(stop))
    await until(lambda: len(asyncio.all_tasks()) > 1)
    stop.set()
    await asyncio.wait_for(running, SOON)


class Reports(ScheduledReports):
    """Reports whose turns are told by hand."""

    def __init__(self, *turns: Made) -> None:
        self.turns = list(turns)

    def run(self) -> Made:
        return self.turns.pop(0)


async def test_reports_are_noted_and_a_failure_is_a_problem_until_it_is_gone(slow: Slow) -> None:
    record = Record(number=7, text='{"kind":"chain report"}', before="0" * 64, sha256="ab" * 32)
    problem = Made(records=[record], problems=["record 7 as x.pdf could not be made (no room); it is tried again", "another"])
    jobs = Jobs(slow.live, slow.store, slow.keeper, slow.clock, slow.executor, (), Reports(problem, Made()))
    await jobs.make_reports()
    assert slow.live.problems["reports"] == f"{problem.problems[0]} (and 1 more)"
    assert slow.live.counters["report_errors"] == 2
    assert await slow.kept() == ["record-made"]
    await jobs.make_reports()
    assert "reports" not in slow.live.problems


async def test_a_site_without_reports_makes_none(slow: Slow) -> None:
    await slow.jobs.make_reports()
    assert await slow.kept() == []
