"""The rows of accounts as CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from checks.accounting.balance import PeriodBalance
from collector.accounts.account import Account
from collector.spreadsheet import safe_text

COLUMNS = (
    "loop", "period", "from", "to", "hours", "note", "gauge_t", "plc_t", "own_t", "best_t", "best_u_k2_t", "random_u_k2_t",
    "systematic_u_k2_t", "plc_less_best_t", "measured_h", "excluded_h", "stand_in_plc_total_h", "stand_in_mean_load_h",
    "without_stand_in_h", "complete",
)  # fmt: skip


def csv_text(accounts: Sequence[Account], zone: ZoneInfo) -> str:
    """One row a loop and part; times are local with their offset, tonnes [t], an empty field is a total that was not there."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for one in accounts:
        writer.writerows(_row(one.loop, part, zone) for part in one.parts)
    return out.getvalue()


def _row(loop: str, part: PeriodBalance, zone: ZoneInfo) -> tuple[str, ...]:
    period = part.period
    edges = [datetime.fromtimestamp(edge, zone).isoformat() for edge in (period.begin, period.end)]
    known = part.known
    apart = None if part.plc is None or not known else part.plc - part.best
    wide = (part.uncertainty, 2.0 * part.random, 2.0 * part.systematic)
    numbers = (part.own, part.best, *wide) if known else (None,) * 5
    by_method = [
        sum(stretch.hours for stretch in part.excluded if stretch.method == method)
        for method in ("PLC total", "mean load of the shift", "none")
    ]
    tonnes = (part.gauge, part.plc, *numbers, apart)
    return (
        safe_text(loop), safe_text(period.name), *edges, f"{period.hours:g}", safe_text(period.note), *("" if value is None else f"{value:.3f}" for value in tonnes),
        f"{part.measured_h:.4f}", f"{part.excluded_h:.4f}", *(f"{hours:.4f}" for hours in by_method),
        "yes" if part.complete else "no",
    )  # fmt: skip
