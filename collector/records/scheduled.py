"""Reports that the site file asks for, made once for each period, numbered and written as files; the chain is walked daily."""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from checks.accounting.calendar import Period
from collector.logs import event
from collector.records import periods
from collector.records.book import Record, RecordBook
from collector.records.measured import blocks_of
from collector.records.paper import pdf
from collector.records.render import html
from collector.records.reporting import chain_report, uptime_report
from collector.records.sources import Sources
from config.errors import TallywireError
from config.model import Report

BY = "Tallywire"
VERIFIED_EVERY_S = 86400.0
"""How often the whole chain is walked without being asked [s]."""


@dataclass(slots=True)
class Made:
    """What one turn did: records made, files written, and what went wrong."""

    records: list[Record] = field(default_factory=list)
    files: list[Path] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)


class ScheduledReports:
    """Makes what is due. Calls may come at any time and as often as wanted: nothing is made twice.

    What a record could not be made or written for is tried again with the next call. A period in which nothing is stored is
    passed over. After a time out of service the periods that were missed are made up for, once.
    """

    def __init__(self, sources: Sources, book: RecordBook) -> None:
        self._sources = sources
        self._book = book
        self._until: dict[tuple[str, tuple[str, ...]], int | None] = {}
        self._unwritten: list[tuple[Report, str, Record]] = []
        self._verified_at = float("-inf")
        self._broken = ""

    def run(self) -> Made:
        """Make what is due now; no exception leaves here."""
        made = Made()
        self._verify(made)
        waiting, self._unwritten = self._unwritten, []
        for report, name, record in waiting:
            self._write(report, name, record, made)
        for name, report in self._sources.site.reports.items():
            every = report.loops or tuple(self._sources.site.loops)
            for loops in [(loop,) for loop in every] if report.what == "chain" else [every]:
                try:
                    self._make(name, report, loops, made)
                except Exception as error:  # noqa: BLE001 - one report must not stop the others; told, logged, tried again
                    self._failed(made, f"report {name} of {', '.join(loops)}", error)
        return made

    def _verify(self, made: Made) -> None:
        """Once a day walk the chain; a break is told until a walk finds none."""
        now = self._sources.clock.now()
        if now - self._verified_at >= VERIFIED_EVERY_S:
            try:
                broken = self._book.verify().broken
            except TallywireError as error:
                self._failed(made, "the walk along the chain of records", error)
                return
            self._verified_at = now
            self._broken = "" if broken is None else f"the chain of records breaks at record {broken.number}: {broken.reason}"
            if self._broken:
                event(logging.ERROR, "records-broken", self._broken)
        if self._broken:
            made.problems.append(self._broken)

    def _make(self, name: str, report: Report, loops: tuple[str, ...], made: Made) -> None:
        key = (name, loops)
        if key not in self._until:
            self._until[key] = latest = self._book.latest_scheduled(name, loops)
            kept = None if latest is None else self._book.scheduled(name, loops, latest)
            if kept is not None:
                self._write(report, name, kept, made)
        for period in periods.due(self._sources.site, report.every, self._until[key], self._sources.clock.now()):
            if self._known(loops, period):
                record = self._record(name, report, loops, period)
                self._until[key] = period.begin
                made.records.append(record)
                self._write(report, name, record, made)
            else:
                self._until[key] = period.begin

    def _record(self, name: str, report: Report, loops: tuple[str, ...], period: Period) -> Record:
        if report.what == "chain":
            return self._book.add(chain_report(self._sources, loops[0], period, by=BY, schedule=name))
        return self._book.add(uptime_report(self._sources, loops, period, by=BY, schedule=name))

    def _known(self, loops: Sequence[str], period: Period) -> bool:
        return any(blocks_of(self._sources.store, loop, period.begin, period.end) is not None for loop in loops)

    def _write(self, report: Report, name: str, record: Record, made: Made) -> None:
        """Write what is not there yet in each format; what fails is tried again with the next call."""
        failed = False
        for suffix in report.formats:
            path = report.folder / file_name(name, record, suffix)
            try:
                if not path.exists():
                    write_whole(path, pdf(record) if suffix == "pdf" else html(record).encode())
                    made.files.append(path)
            except Exception as error:  # noqa: BLE001 - the record is kept; its file is tried again
                failed = True
                self._failed(made, f"record {record.number} as {path.name}", error)
        if failed:
            self._unwritten.append((report, name, record))

    def _failed(self, made: Made, what: str, error: Exception) -> None:
        reason = error.what if isinstance(error, TallywireError) else getattr(error, "strerror", None) or str(error)
        made.problems.append(f"{what} could not be made ({reason or type(error).__name__}); it is tried again")
        known = isinstance(error, TallywireError | OSError)
        event(logging.ERROR, "report-failed", f"{what} could not be made", repeat_key=what, reason=str(error))
        if not known:
            logging.getLogger("tallywire").error("report failed", exc_info=error, extra={"event": "report-failed"})


def file_name(name: str, record: Record, suffix: str) -> str:
    """`shift-chain-TB-07-2026-03-02-0600-no12.html`: the schedule, the loop where it is one, the period, the number."""
    raw = record.raw
    loops = raw.get("loops", [])
    period = raw.get("period")
    when = str(period["name"]) if isinstance(period, dict) else "undated"
    parts: Iterator[str] = (part for part in (name, loops[0] if len(loops) == 1 else "", when.replace(" ", "-")) if part)
    return f"{'-'.join(parts).replace(':', '')}-no{record.number}.{suffix}"


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that it is whole or not there; the folder is made where it is missing. OSError where it cannot be."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(path.name + ".part")
    try:
        with part.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError:
        part.unlink(missing_ok=True)
        raise
