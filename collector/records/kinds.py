"""What a record holds, whatever its kind."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, Literal

from checks.accounting.balance import PeriodBalance
from checks.accounting.bridge import Bridge
from config.errors import StoreError

RecordKind = Literal["chain report", "restatement"]


def chain_report(
    *, site: str, loop: str, made: str, balance: PeriodBalance, bridge: Bridge | None, units: str, basis: str
) -> dict[str, Any]:
    """The content of a chain report for a shift, day or month [t, h, epoch s].

    `made` is its date (ISO 8601), `units` the chain of units, `basis` whether the tonnes are wet or dry ("wet", "dry").
    """
    return {
        "kind": "chain report", "site": site, "loop": loop, "made": made, "units": units, "basis": basis,
        "balance": {
            **asdict(balance), "uncertainty": balance.uncertainty, "coverage_factor": 2, "excluded_h": balance.excluded_h,
            "complete": balance.complete,
        },
        "bridge": None if bridge is None else asdict(bridge),
    }  # fmt: skip


def restatement(report: Mapping[str, Any], *, of: int, reason: str, by: str) -> dict[str, Any]:
    """A new record that stands beside number `of` of a closed period; the old one stays as it is.

    Raises
    ------
    StoreError
        No reason or no name is given: a number that changes without either is worth nothing.
    """
    if not reason.strip() or not by.strip():
        raise StoreError(
            "a restatement needs a reason and a name", where=f"record {of}", fix="say why the numbers change and who says so"
        )
    return {**report, "kind": "restatement", "restates": of, "reason": reason.strip(), "by": by.strip()}
