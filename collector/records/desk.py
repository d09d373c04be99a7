"""What pages and REST ask of the records: find, verify, and make new ones from the history."""

from __future__ import annotations

from checks.accounting.calendar import Kind, Period
from collector.records import periods
from collector.records.book import Record, RecordBook
from collector.records.chain_report import ChainReport, UptimeReport
from collector.records.reporting import chain_report, uptime_report
from collector.records.restating import restatement
from collector.records.sources import Sources
from config.errors import TallywireError


class RecordDesk:
    """Makes records of a site. Every call may take seconds: it is for a worker thread."""

    def __init__(self, book: RecordBook, sources: Sources) -> None:
        self.book = book
        self._sources = sources

    def report(self, loop: str, kind: Kind, name: str, *, by: str) -> Record:
        """A new chain report of a loop and a shift, day or month, numbered.

        Raises
        ------
        TallywireError
            There is no such period, or nothing is stored of it.
        """
        period = periods.named(self._sources.site, kind, name, self._sources.clock.now())
        made = chain_report(self._sources, loop, period, by=by)
        if not made.coverage.covered_h and made.looked_at is None and not made.findings:
            raise TallywireError(
                f"nothing is stored of {loop} in the {kind} {name}", where="period", fix="name a time in which the service ran"
            )
        return self.book.add(made)

    def restate(self, number: int, *, reason: str, by: str) -> Record | None:
        """A new record that restates an older report by what the history says now; None where there is no such number.

        Raises
        ------
        TallywireError
            The record is no report, nothing has changed, or reason or name is missing.
        """
        old = self.book.find(number)
        if old is None:
            return None
        if not reason.strip() or not by.strip():
            raise TallywireError(
                "a restatement needs a reason and a name", where=f"record {number}",
                fix="say why the numbers change and who says so",
            )  # fmt: skip
        content = old.content
        new: ChainReport | UptimeReport
        if isinstance(content, ChainReport):
            new = chain_report(self._sources, self._known(content.loops[0], number), _period(content), by=by)
        elif isinstance(content, UptimeReport):
            loops = [self._known(loop, number) for loop in content.loops]
            new = uptime_report(self._sources, loops, _period(content), by=by)
        else:
            raise TallywireError(
                f"record {number} is a {old.kind}, only reports can be restated", where=f"record {number}",
                fix="name the number of a chain report or an uptime report; an account is restated on the page of its tonnes",
            )  # fmt: skip
        return self.book.add(restatement(old, new, reason=reason, by=by))

    def _known(self, loop: str, number: int) -> str:
        if loop not in self._sources.site.loops:
            raise TallywireError(f"this site has no loop {loop!r} any more", where=f"record {number}")
        return loop


def _period(report: ChainReport | UptimeReport) -> Period:
    span = report.period
    kind: Kind = "day" if span.kind == "time" else span.kind
    return Period(kind=kind, name=span.name, begin=span.begin, end=span.end, note=span.note)
