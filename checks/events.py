"""The event ledger as people and findings read it: words, what changed in the net, and what was documented."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from checks.references import Span, Tare
from checks.window import LedgerEntry, Window
from config.roles import ROLES, Side

SETTINGS = ("parameter-change", "tare")
"""Kinds of entries that say that a setting changed."""
TOLD = (*SETTINGS, "product-change", "gauge-restart", "plc-restart", "clock-step", "calibration", "bypass", "force")
"""Kinds of entries that are told with the settings; starts, stops and totals have places of their own."""
DOCUMENTED_S = 600
"""A change this close to a calibration or to maintenance is taken for part of it [s]."""
GROUPS = {
    "gauge_range_low": "range", "gauge_range_high": "range", "plc_range_low": "range", "plc_range_high": "range",
    "empty_belt_rate": "zero", "background_rate": "zero", "nuclide_code": "nuclide", "gauge_unit": "unit", "plc_unit": "unit",
    "gauge_output_mode": "mode", "plc_block_mode": "mode",
}  # fmt: skip
"""Settings that one honest act changes together."""
BITS = {"calibration": "calibration", "bypass": "maintenance", "force": "force", "shutter": "shutter closed, by its indicator,"}


def between(ledger: Sequence[LedgerEntry], begin: float, end: float) -> Sequence[LedgerEntry]:
    """The entries with begin <= time <= end [epoch s]; the ledger is in order of time."""
    return ledger[
        bisect_left(ledger, begin, key=lambda entry: entry.time_s) : bisect_right(ledger, end, key=lambda entry: entry.time_s)
    ]


def moment(time_s: int) -> str:
    """A moment to the second, UTC."""
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def change_words(entry: LedgerEntry) -> str:
    """A change of a setting with old and new value and its time (UTC)."""
    return f"{_from_to(entry.role, entry.old, entry.new)} at {moment(entry.time_s)}"


def _from_to(role: str, old: float | None, new: float | None) -> str:
    unit = f" {ROLES[role].unit}".rstrip() if role in ROLES else ""
    before, after = ("nothing" if value is None else f"{value:g}" for value in (old, new))
    return f"{role} went from {before} to {after}{unit}"


def event_words(entry: LedgerEntry) -> str:
    """Any entry in words, with its time (UTC)."""
    at = f"at {moment(entry.time_s)}"
    if entry.kind in BITS:
        return f"{BITS[entry.kind]} {'began' if entry.new == 1.0 else 'ended'} {at}"
    if entry.kind == "gauge-restart":
        return f"the gauge restarted {at}"
    if entry.kind == "plc-restart":
        return f"the heartbeat of the PLC jumped from {entry.old or 0.0:.0f} to {entry.new or 0.0:.0f} {at}"
    if entry.kind == "clock-step" and entry.role and entry.old is not None and entry.new is not None:
        return f"the clock of the gauge was set by {entry.new - entry.old:+.0f} s {at}"
    if entry.kind == "clock-step":
        return f"our own clock stepped {at}"
    return change_words(entry)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A setting that differs from what it was: first and last moment at which it moved [epoch s]."""

    role: str
    old: float
    new: float
    begin_s: int
    end_s: int

    @property
    def side(self) -> Side:
        """The device in which it is set."""
        return ROLES[self.role].side

    @property
    def words(self) -> str:
        """Role, old and new value with the unit."""
        return _from_to(self.role, self.old, self.new)


def net_changes(entries: Sequence[LedgerEntry]) -> list[Change]:
    """What changed over these entries and did not go back, in the order in which it last moved."""
    found: dict[str, Change] = {}
    for entry in entries:
        if entry.kind not in SETTINGS or entry.old is None or entry.new is None:
            continue
        known = found.pop(entry.role, None)
        old = entry.old if known is None else known.old
        if old != entry.new:
            begin = entry.time_s if known is None else known.begin_s
            found[entry.role] = Change(role=entry.role, old=old, new=entry.new, begin_s=begin, end_s=entry.time_s)
    return list(found.values())


def documented(window: Window, time_s: int) -> bool:
    """Whether a calibration, maintenance or an entry of the site's ledger of tares and spans covers a moment [epoch s]."""
    begin, end = time_s - DOCUMENTED_S, time_s + DOCUMENTED_S
    for kind in ("calibration", "bypass"):
        if any(entry.kind == kind for entry in between(window.ledger, begin, end)):
            return True
        before = next((entry for entry in reversed(between(window.ledger, 0, begin)) if entry.kind == kind), None)
        if before is not None and before.new == 1.0:
            return True
    return any(isinstance(entry, Tare | Span) and entry.begin_s <= end and entry.end_s >= begin for entry in window.references)


def beside(window: Window, interval: tuple[int, int], within_s: int, *, sharp: bool = False) -> str:
    """What changed when a difference began: the when and who beside the what.

    Settings first, else restarts, clocks and tares. Where nothing was seen beside a `sharp` change, that is said too: a setting
    that nobody reads, or a hand on the wiring.
    """
    near = between(window.ledger, interval[0] - within_s, interval[1] + within_s)
    settings = [change_words(entry) for entry in near if entry.kind == "parameter-change"]
    others = [event_words(entry) for entry in near if entry.kind in ("gauge-restart", "plc-restart", "clock-step", "tare")]
    if settings or others:
        return f" At that time {'; '.join((settings or others)[-3:])}."
    read = any(role in window.loop.tags for role in GROUPS)
    if sharp and read and interval[1] - interval[0] <= within_s and not any(entry.kind in TOLD for entry in near):
        return " It came at once, and no setting that is read changed with it."
    return ""
