"""The note that stands beside an older report when its figures have changed: old and new, why, and who says so."""

from __future__ import annotations

from collections.abc import Iterator

from pydantic import ValidationError

from collector.records.book import Record
from collector.records.chain_report import ChainReport, Figure, Restatement, UptimeReport
from collector.records.content import told
from config.errors import TallywireError

SAME = 1e-9
"""Figures that differ by less than this share are the same."""


def figures_of(report: ChainReport | UptimeReport) -> dict[tuple[str, str], float | None]:
    """The figures of a report that can be restated, by name and unit."""
    parts = [report.uptime] if isinstance(report, ChainReport) else list(report.uptimes)
    out: dict[tuple[str, str], float | None] = {}
    if isinstance(report, ChainReport):
        tonnes = report.tonnes
        out |= {
            ("gauge total", "t"): tonnes.gauge, ("PLC total", "t"): tonnes.plc, ("integral of the gauge flow", "t"): tonnes.own,
            ("best estimate", "t"): tonnes.best, ("uncertainty of the best estimate (k = 2)", "t"): tonnes.uncertainty,
            ("time measured", "h"): report.coverage.measured_h, ("findings", ""): float(len(report.findings)),
        }  # fmt: skip
    for part in parts:
        if part is not None:
            name = f"{part.loop}: " if isinstance(report, UptimeReport) else ""
            share = None if part.availability is None else 100.0 * part.availability
            out |= {
                (f"{name}availability", "%"): share, (f"{name}required time", "h"): part.required_h,
                (f"{name}not measuring", "h"): part.not_measuring_h, (f"{name}failures", ""): float(part.failures),
            }  # fmt: skip
    return out


def restatement(old: Record, new: ChainReport | UptimeReport, *, reason: str, by: str) -> Restatement:
    """The restatement of an older report by one of the same loops and time as it is read now.

    Raises
    ------
    TallywireError
        The old record is no report, nothing has changed, or reason or name cannot be kept.
    """
    before = old.content
    if not isinstance(before, ChainReport | UptimeReport) or type(before) is not type(new):
        raise TallywireError(
            f"record {old.number} is a {old.kind}, only chain reports and uptime reports can be restated",
            where=f"record {old.number}", fix="name the number of a report",
        )  # fmt: skip
    figures = tuple(_changed(before, new))
    if not figures:
        raise TallywireError(
            "nothing has changed since this record was made", where=f"record {old.number}",
            fix="correct the history first (uptime, ledger), then restate",
        )  # fmt: skip
    head = {name: getattr(new, name) for name in ("site", "site_title", "time_zone", "site_sha256", "software", "made")}
    try:
        return Restatement(
            **head, loops=before.loops, loop_title=before.loop_title, by=by, restates=old.number, restates_kind=before.kind,
            restates_sha256=old.sha256, restates_made=before.made, period=before.period, figures=figures, reason=reason,
        )  # fmt: skip
    except ValidationError as error:
        raise told(error, "restatement") from error


def _changed(old: ChainReport | UptimeReport, new: ChainReport | UptimeReport) -> Iterator[Figure]:
    before, after = figures_of(old), figures_of(new)
    for name, unit in dict.fromkeys([*before, *after]):
        a, b = before.get((name, unit)), after.get((name, unit))
        same = a == b or (a is not None and b is not None and abs(a - b) <= SAME * max(abs(a), abs(b)))
        if not same:
            yield Figure(name=name, unit=unit, old=a, new=b)
