"""The slow jobs of the service: sealing and retention, the daily summary, certificates, the site file on disk."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np
from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MISSED, JobExecutionEvent
from apscheduler.schedulers.asyncio import AsyncIOScheduler
from cryptography import x509
from numpy.typing import NDArray

from collector.clock import Clock
from collector.history.store import Store
from collector.live import LiveState
from collector.logs import event
from collector.records.scheduled import ScheduledReports
from collector.service.keeping import Keeper
from config.load import digest
from config.model import Site

DAY_S = 86400
CERTIFICATE_WARNING_S = 30 * DAY_S
SITE_FILE_PROBLEM = "site-file"
REPORTS_PROBLEM = "reports"
PUBLISHED, PAGE = "what is published", "the page"
"""Whose a certificate is that belongs to no endpoint."""
GRACE_S = 3600
_T = TypeVar("_T")


class Jobs:
    """Runs the slow jobs; a job that fails is counted in `job_errors`, logged, and runs again at its next time."""

    def __init__(
        self,
        live: LiveState,
        store: Store,
        keeper: Keeper,
        clock: Clock,
        executor: Executor,
        site_files: Sequence[Path] = (),
        reports: ScheduledReports | None = None,
    ) -> None:
        self._live = live
        self._store = store
        self._keeper = keeper
        self._clock = clock
        self._executor = executor
        self._site_files = site_files
        self._reports = reports

    async def run(self, stop: asyncio.Event) -> None:
        """Schedule all jobs (times in UTC) until told to stop."""
        scheduler = AsyncIOScheduler(
            timezone=UTC, job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": GRACE_S}
        )
        scheduler.add_listener(self._failed, EVENT_JOB_ERROR | EVENT_JOB_MISSED)
        scheduler.add_job(self.watch_site_file, "interval", minutes=1, id="site file")
        scheduler.add_job(self.seal_and_retain, "cron", minute=5, id="seal and retention")
        scheduler.add_job(self.daily_summary, "cron", hour=0, minute=1, id="daily summary")
        scheduler.add_job(self.certificates, "cron", hour="*/6", minute=30, id="certificates")
        if self._reports is not None:
            soon = datetime.now(UTC) + timedelta(minutes=1)
            scheduler.add_job(self.make_reports, "interval", minutes=5, next_run_time=soon, id="reports")
        scheduler.start()
        try:
            await self.certificates()
            await stop.wait()
        finally:
            scheduler.shutdown(wait=False)

    async def seal_and_retain(self) -> None:
        """Move whole past days to the archive and drop what is older than the retention."""
        now = self._clock.now()
        sealed = await self._off_loop(lambda: self._store.seal(now))
        dropped = await self._off_loop(lambda: self._store.retain(now))
        if sealed:
            self._keeper.keep_event("sealed", f"{sealed} loop-days were moved to the archive")
        if dropped:
            self._keeper.keep_event("retention", f"{dropped} loop-days beyond the retention were dropped")
        event(logging.INFO, "sealed", "sealing and retention are done", sealed=sealed, dropped=dropped)

    async def daily_summary(self) -> None:
        """One event a loop for the past UTC day: tonnes three ways, time measured, verdict."""
        day = int(self._clock.now() // DAY_S) * DAY_S - DAY_S
        for loop in self._live.mine:
            text = await self._off_loop(partial(self._summary, loop, day))
            self._keeper.keep_event("daily-summary", text, loop=loop)

    async def certificates(self) -> None:
        """Read when the certificates of the endpoints expire; one that has less than 30 days is a problem."""
        found = await self._off_loop(lambda: dict(certificate_ends(self._live.site)))
        for (endpoint, path), expires in found.items():
            key = f"certificate {endpoint} {Path(path).name}"
            whose = endpoint if endpoint in (PUBLISHED, PAGE) else f"endpoint {endpoint}"
            status = self._live.endpoints.get(endpoint)
            if status is not None and expires is not None:
                known = status.certificate_expires
                status.certificate_expires = expires if known is None else min(known, expires)
            if expires is None:
                self._live.problems[key] = f"{path} of {whose} cannot be read as a certificate"
            elif expires - self._clock.now() < CERTIFICATE_WARNING_S:
                day = datetime.fromtimestamp(expires, UTC).strftime("%Y-%m-%d")
                if key not in self._live.problems:
                    self._keeper.keep_event("certificate-expires", f"{path} of {whose} expires on {day}")
                self._live.problems[key] = f"{path} of {whose} expires on {day}"
            else:
                self._live.problems.pop(key, None)

    async def make_reports(self) -> None:
        """Make the reports of the site file that are due; what cannot be made is a problem until it can."""
        if self._reports is None or not self._live.acts_for_site:
            return
        made = await self._off_loop(self._reports.run)
        for record in made.records:
            self._keeper.keep_event("record-made", f"record {record.number}: {record.kind}", new=record.sha256)
        if made.records or made.files:
            event(logging.INFO, "reports-made", "reports are made", records=len(made.records), files=len(made.files))
        if made.problems:
            self._live.count("report_errors", len(made.problems))
            more = f" (and {len(made.problems) - 1} more)" if len(made.problems) > 1 else ""
            self._live.problems[REPORTS_PROBLEM] = made.problems[0] + more
        else:
            self._live.problems.pop(REPORTS_PROBLEM, None)

    async def watch_site_file(self) -> None:
        """Say when the site file on disk is not the one in force."""
        if not self._site_files:
            return
        path = self._site_files[0]
        try:
            found = await self._off_loop(lambda: digest(self._site_files))
        except OSError as error:
            self._live.problems[SITE_FILE_PROBLEM] = (
                f"{path} cannot be read ({error.strerror}); the one of the start is in force"
            )
            return
        if found == self._live.site_sha256:
            self._live.problems.pop(SITE_FILE_PROBLEM, None)
        else:
            self._live.problems[SITE_FILE_PROBLEM] = (
                f"{path} has changed since the start (in force {self._live.site_sha256[:12]}, on disk {found[:12]}); "
                "restart to put it in force"
            )

    def _summary(self, loop: str, day: int) -> str:
        when = datetime.fromtimestamp(day, UTC).strftime("%Y-%m-%d")
        hours = self._store.rollups(loop, 3600, day, day + DAY_S)
        if hours is None or not len(hours):
            return f"{when}: nothing was measured"
        gauge, plc = (_sum(hours.increment_t[:, column]) for column in (0, 1))
        totals = [f"gauge {gauge:.1f} t" if gauge is not None else "", f"PLC {plc:.1f} t" if plc is not None else ""]
        own, measured = float(np.nansum(hours.own_t)), float(np.nansum(hours.measured_s))
        latest = self._live.evaluations.get(loop)
        verdict = f"; now {latest.verdict.words}" if latest is not None else ""
        return f"{when}: {', '.join([*filter(None, totals), f'own {own:.1f} t'])}, measured {measured / 3600:.1f} h{verdict}"

    async def _off_loop(self, work: Callable[[], _T]) -> _T:
        return await asyncio.get_running_loop().run_in_executor(self._executor, work)

    def _failed(self, failure: JobExecutionEvent) -> None:
        self._live.count("job_errors")
        missed = failure.code == EVENT_JOB_MISSED
        logging.getLogger("tallywire").error(
            "a job was missed" if missed else "a job failed",
            exc_info=None if missed else failure.exception,
            extra={"event": "job-failed", "fields": {"job": failure.job_id}, "repeat_key": str(failure.job_id)},
        )


def certificate_ends(site: Site) -> Iterator[tuple[tuple[str, str], float | None]]:
    """(endpoint or whose it is, path) and the end of validity [epoch s] of every certificate that the site names; None where unreadable."""
    for name, endpoint in site.endpoints.items():
        for field in ("client_certificate", "server_certificate", "ca_file"):
            path: Path | None = getattr(endpoint, field, None)
            if path is not None:
                yield (name, str(path)), _ends(path)
    opcua, web = site.publish.opcua, site.web
    published = (opcua.certificate, *opcua.clients) if opcua is not None else ()
    for whose, paths in ((PUBLISHED, published), (PAGE, (web.certificate,))):
        for path in paths:
            if path is not None:
                yield (whose, str(path)), _ends(path)


def _ends(path: Path) -> float | None:
    try:
        content = path.read_bytes()
        load = x509.load_pem_x509_certificate if content.lstrip().startswith(b"-----") else x509.load_der_x509_certificate
        return load(content).not_valid_after_utc.timestamp()
    except (OSError, ValueError):
        return None


def _sum(values: NDArray[np.float64]) -> float | None:
    return float(np.nansum(values)) if np.isfinite(values).any() else None
