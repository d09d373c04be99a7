"""What the belt does at each sample, and whether the loop may be judged: chunk by chunk with a memory."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from checks.changing import changed, newest
from checks.counters import DeviceClock, Heartbeat
from checks.samples import FLAG_CLOCK_STEP, Samples
from checks.window import LedgerEntry
from config.model import Loop
from config.roles import ROLES, Kind

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MOVING_M_S = 0.05
EMPTY_PART = 0.02
"""Part of the gauge's span below which the belt counts as empty where the site file says nothing."""
HYSTERESIS = 1.5
"""The belt becomes loaded above this many times the limit, empty below the limit."""
NEVER = -(2**62)
RESTART_DROP_S = 5.0

LOADED, EMPTY, STOPPED, UNKNOWN = 0, 1, 2, 3
"""Codes of `States.belt`, the order of `checks.blocks.STATES`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class States:
    """Per sample, shape (n,): belt code, and the overlapping conditions."""

    belt: NDArray[np.int8]
    maintenance: Bools
    calibrating: Bools
    unsettled: Bools
    ledger: tuple[LedgerEntry, ...]


def empty_below(loop: Loop) -> float:
    """Flow [t/h] below which the belt counts as empty."""
    stated = loop.limits.empty_below
    return stated if stated is not None else EMPTY_PART * (loop.gauge.range.high - loop.gauge.range.low)


@dataclass(slots=True)
class StateReader:
    """Reads the states of one loop from its samples; the chunks do not matter.

    The belt moves where the drive says so, else where the speed is above 0.05 m/s. A loop with neither tag is loaded where
    flow passes and unknown where none does: such a belt may be empty or may stand. Roles that are missing are not guessed:
    without `maintenance` nothing is under maintenance.
    """

    loop: Loop
    _loaded: float = 0.0
    _moving: float = np.nan
    _bits: dict[str, float] = field(default_factory=dict)
    _settings: dict[str, float] = field(default_factory=dict)
    _uptime: float = np.nan
    _event_s: int = NEVER
    _clock_stepped: bool = False
    _heartbeat: Heartbeat = field(default_factory=Heartbeat)
    _gauge_clock: DeviceClock = field(default_factory=DeviceClock)

    def push(self, samples: Samples) -> States:
        """States of the next samples, with the ledger entries that they give."""
        n = len(samples)
        ledger: list[LedgerEntry] = []
        moving = self._movement(samples)
        load = self._load(samples)
        belt = np.full(n, UNKNOWN, np.int8)
        belt[moving == 0.0] = STOPPED
        runs = moving == 1.0
        belt[runs & (load > 0)] = LOADED
        belt[runs & (load < 0)] = EMPTY
        if "drive_running" not in self.loop.tags and "speed" not in self.loop.tags:
            belt[load > 0] = LOADED
        settle_from: list[int] = []
        for row in _from_known(moving, self._moving):
            kind = "belt-start" if moving[row] == 1.0 else "belt-stop"
            ledger.append(LedgerEntry(time_s=int(samples.time_s[row]), kind=kind, role="drive_running"))
            if kind == "belt-start":
                settle_from.append(row)
        self._moving = newest(moving, self._moving)
        maintenance, ends = self._bit(samples, "maintenance", "bypass", ledger)
        settle_from += ends
        calibrating, ends = self._bit(samples, "calibrating", "calibration", ledger)
        settle_from += ends
        self._bit(samples, "plc_forced", "force", ledger)
        self._bit(samples, "shutter_closed", "shutter", ledger)
        settle_from += self._setting_changes(samples, ledger)
        settle_from += self._restarts(samples, ledger)
        self._jumps(samples, ledger)
        self._clock_steps(samples, ledger)
        return States(
            belt=belt,
            maintenance=maintenance,
            calibrating=calibrating,
            unsettled=self._unsettled(samples.time_s, settle_from),
            ledger=tuple(sorted(ledger, key=lambda entry: entry.time_s)),
        )

    def _movement(self, samples: Samples) -> Floats:
        """1 moves, 0 stands, NaN unknown."""
        drive, speed = samples.column("drive_running"), samples.column("speed")
        moving = np.where(drive > 0.5, 1.0, 0.0)
        by_speed = np.where(speed > MOVING_M_S, 1.0, 0.0)
        by_speed[np.isnan(speed)] = np.nan
        return np.where(np.isnan(drive), by_speed, moving)

    def _load(self, samples: Samples) -> Floats:
        """1 loaded, -1 empty, 0 unknown, with a dead zone that keeps what was."""
        flow, limit = samples.column("flow"), empty_below(self.loop)
        sign = np.where(flow > HYSTERESIS * limit, 1.0, np.where(flow < limit, -1.0, 0.0))
        known = sign != 0.0
        if known.all():
            out = sign
        else:
            index = np.maximum.accumulate(np.where(known, np.arange(len(sign)), -1))
            out = np.where(index >= 0, sign[np.maximum(index, 0)], self._loaded)
        if len(out):
            self._loaded = float(out[-1])
        return np.where(np.isnan(flow), 0.0, out)

    def _bit(self, samples: Samples, role: str, kind: str, ledger: list[LedgerEntry]) -> tuple[Bools, list[int]]:
        column, before = samples.values.get(role), self._bits.get(role, 0.0)
        if column is None or (column == before).all():
            return np.full(len(samples), column is not None and before == 1.0), []
        bit = np.where(np.isnan(column), np.nan, (column > 0.5).astype(np.float64))
        ends: list[int] = []
        for row in _from_known(bit, before):
            ledger.append(
                LedgerEntry(
                    time_s=int(samples.time_s[row]), kind=kind, role=role, old=1.0 - float(bit[row]), new=float(bit[row])
                )
            )
            if bit[row] == 0.0:
                ends.append(row)
        self._bits[role] = newest(bit, before)
        return bit == 1.0, ends

    def _setting_changes(self, samples: Samples, ledger: list[LedgerEntry]) -> list[int]:
        rows: list[int] = []
        for role, column in samples.values.items():
            if ROLES[role].kind is not Kind.SETTING or role == "gauge_status":
                continue
            old = self._settings.get(role, np.nan)
            for row in _from_known(column, old):
                old = newest(column[:row], old)
                kind = {"product": "product-change", "empty_belt_rate": "tare"}.get(role, "parameter-change")
                ledger.append(
                    LedgerEntry(time_s=int(samples.time_s[row]), kind=kind, role=role, old=old, new=float(column[row]))
                )
                if kind != "parameter-change":
                    rows.append(row)
            self._settings[role] = newest(column, old)
        return rows

    def _restarts(self, samples: Samples, ledger: list[LedgerEntry]) -> list[int]:
        column = samples.values.get("gauge_uptime")
        if column is None:
            return []
        rows = changed(column, self._uptime)
        drops = np.diff(column[rows], prepend=self._uptime) < -RESTART_DROP_S
        ledger += [
            LedgerEntry(time_s=int(samples.time_s[row]), kind="gauge-restart", role="gauge_uptime") for row in rows[drops]
        ]
        self._uptime = newest(column, self._uptime)
        return [int(row) for row in rows[drops]]

    def _jumps(self, samples: Samples, ledger: list[LedgerEntry]) -> None:
        """Restarts of the PLC by its heartbeat, steps of the gauge's clock by its offset to ours [s]."""
        own, values = (samples.flags & FLAG_CLOCK_STEP) != 0, samples.values
        beats = self._heartbeat.push(samples.time_s, values["plc_heartbeat"]) if "plc_heartbeat" in values else []
        steps = self._gauge_clock.push(samples.time_s, values["gauge_clock"], own) if "gauge_clock" in values else []
        for kind, role, jumps in (("plc-restart", "plc_heartbeat", beats), ("clock-step", "gauge_clock", steps)):
            ledger += [
                LedgerEntry(time_s=int(samples.time_s[jump.row]), kind=kind, role=role, old=jump.old, new=jump.new)
                for jump in jumps
            ]

    def _clock_steps(self, samples: Samples, ledger: list[LedgerEntry]) -> None:
        """The first row of each flagged stretch."""
        flagged = (samples.flags & FLAG_CLOCK_STEP) != 0
        if not flagged.any():
            self._clock_stepped &= not len(flagged)
            return
        begins = np.flatnonzero(flagged & ~np.concatenate([[self._clock_stepped], flagged[:-1]]))
        ledger += [LedgerEntry(time_s=int(samples.time_s[row]), kind="clock-step") for row in begins]
        self._clock_stepped = bool(flagged[-1])

    def _unsettled(self, time_s: NDArray[np.int64], rows: list[int]) -> Bools:
        last = np.full(len(time_s), self._event_s, np.int64)
        for row in sorted(rows):
            last[row:] = time_s[row]
        if rows:
            self._event_s = int(last[-1])
        return np.asarray(time_s - last < self.loop.settle)


def _from_known(values: Floats, before: float) -> list[int]:
    """Rows where a known value differs from the last known one."""
    rows = [int(row) for row in changed(values, before)]
    return rows if np.isfinite(before) else rows[1:]
