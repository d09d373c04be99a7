"""The time column of a recorded file."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from collector.replay.opening import Place, shown
from config.errors import DataFileError

LATEST = 1e11
"""Epoch seconds beyond this (year 5138) are milliseconds or finer."""
_ZONE = r"(?:[Zz]|[+-]\d{2}:?\d{2}|[+-]\d{2})$"
_EXAMPLE = "write it as 2026-03-01T06:00:00Z, with the zone, or as epoch seconds"


class TimeReader:
    """Reads the times of a file piece by piece and holds that all are of one kind, in order, none twice.

    Times with an offset may change it by one hour, as local time does in spring and autumn; every other mixture is an error.
    """

    def __init__(self, path: Place, unit: str) -> None:
        self._path = path
        self._unit = unit
        self._last = -np.inf
        self._kind = ""
        self._zones: set[str] = set()

    def read(self, column: pd.Series, lines: NDArray[np.int64]) -> NDArray[np.float64]:
        """Epoch seconds of the rows of one piece.

        Raises
        ------
        DataFileError
            A time without zone, not a time, out of order, twice, or of another kind than those before.
        """
        if isinstance(column.dtype, pd.DatetimeTZDtype):
            kind, times = "instant", self._instants(column, lines)
        elif pd.api.types.is_datetime64_any_dtype(column.dtype):
            raise self._error("the times have no zone", lines[0], "store them with a zone (UTC)")
        elif pd.api.types.is_numeric_dtype(column.dtype):
            kind, times = "epoch seconds", self._seconds(column, lines)
        else:
            kind, times = self._text(column, lines)
        if self._kind and kind != self._kind:
            raise self._error(f"the times change from {self._kind} to {kind}", lines[0], "write all times in one way")
        self._kind = kind
        self._hold_order(times, lines)
        return times

    def _seconds(self, column: pd.Series, lines: NDArray[np.int64]) -> NDArray[np.float64]:
        times = column.to_numpy(dtype=np.float64, na_value=np.nan)
        self._refuse(~np.isfinite(times), column, lines, "there is no time in this row", _EXAMPLE)
        self._refuse(np.abs(times) > LATEST, column, lines, "{} is not in epoch seconds", "divide milliseconds by 1000")
        return times

    def _instants(self, column: pd.Series, lines: NDArray[np.int64]) -> NDArray[np.float64]:
        self._refuse(column.isna().to_numpy(), column, lines, "there is no time in this row", _EXAMPLE)
        micro = column.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy(dtype="datetime64[us]")
        return _as_seconds(micro)

    def _text(self, column: pd.Series, lines: NDArray[np.int64]) -> tuple[str, NDArray[np.float64]]:
        text = column.astype("string").str.strip()
        self._refuse((text.isna() | (text == "")).to_numpy(dtype=bool), column, lines, "there is no time in this row", _EXAMPLE)
        numbers = pd.to_numeric(text, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
        if np.isfinite(numbers).all():
            return "epoch seconds", self._seconds(pd.Series(numbers), lines)
        self._refuse(
            np.isfinite(numbers), column, lines, "the times mix epoch seconds and ISO 8601: {}", "write all in one way"
        )
        times = pd.to_datetime(text, utc=True, format="ISO8601", errors="coerce")
        self._refuse(times.isna().to_numpy(), column, lines, "{} is not a time", _EXAMPLE)
        zones = text.str.extract(f"({_ZONE})", expand=False)
        dated_only = text.str.fullmatch(r"\d{4}-?\d{2}(?:-?\d{2})?").to_numpy(dtype=bool)
        bare = zones.isna().to_numpy(dtype=bool) | dated_only
        if bare.any() and (self._zones or not bare.all()):
            self._refuse(bare, column, lines, "the times mix zones: {} has none", "write all times with the same zone")
        self._refuse(bare, column, lines, "the time {} has no zone", _EXAMPLE)
        for zone in zones.unique():
            self._take_zone(str(zone), lines[int(np.flatnonzero((zones == zone).to_numpy(dtype=bool))[0])])
        micro = times.dt.tz_localize(None).to_numpy(dtype="datetime64[us]")
        return "ISO 8601", _as_seconds(micro)

    def _take_zone(self, zone: str, line: int) -> None:
        self._zones.add(zone)
        offsets = {_minutes(name) for name in self._zones}
        one_way = len({name in "Zz" for name in self._zones}) == 1 or offsets == {0}
        if len(offsets) > 2 or max(offsets) - min(offsets) > 60 or not one_way:
            raise self._error(
                f"the times mix zones: {', '.join(sorted(self._zones))}",
                line,
                "write all times in one zone, best UTC (only the hour of summer time may change)",
            )

    def _hold_order(self, times: NDArray[np.float64], lines: NDArray[np.int64]) -> None:
        steps = np.diff(np.concatenate([[self._last], times]))
        if (steps <= 0).any():
            place = int(np.flatnonzero(steps <= 0)[0])
            same = steps[place] == 0
            raise self._error(
                "the time of the row before comes again" if same else "the time goes back",
                lines[place],
                "remove the double row" if same else "sort the rows by time",
            )
        self._last = float(times[-1])

    def _refuse(self, wrong: NDArray[np.bool_], column: pd.Series, lines: NDArray[np.int64], what: str, fix: str) -> None:
        if wrong.any():
            place = int(np.flatnonzero(wrong)[0])
            raise self._error(what.format(repr(str(column.iloc[place])[:40])), lines[place], fix)

    def _error(self, what: str, line: int, fix: str) -> DataFileError:
        return DataFileError(what, where=f"{shown(self._path)}, {self._unit} {line}, column 'time'", fix=fix)


def _as_seconds(micro: NDArray[np.datetime64]) -> NDArray[np.float64]:
    return micro.astype(np.int64) / 1e6


def _minutes(zone: str) -> int:
    if zone in "Zz":
        return 0
    digits = zone[1:].replace(":", "").ljust(4, "0")
    return (-1 if zone[0] == "-" else 1) * (int(digits[:2]) * 60 + int(digits[2:]))
