"""Exports as plants have them, written from known numbers. All invented."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

T0 = 1_803_877_200
"""2027-03-01 05:00 UTC, 06:00 in central Europe."""
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Style:
    """How a file is written."""

    separator: str = ";"
    decimal: str = ","
    group: str = ""
    encoding: str = "utf-8"
    stamp: str = "%d.%m.%Y %H:%M:%S"
    zone: str = "Europe/Berlin"
    title: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    line_end: str = "\r\n"


def number(value: float, style: Style, digits: int = 2) -> str:
    """A number as the style writes it; NaN is an empty cell."""
    if not np.isfinite(value):
        return ""
    text = f"{value:,.{digits}f}" if style.group else f"{value:.{digits}f}"
    text = text.replace(",", "\0").replace(".", style.decimal).replace("\0", style.group)
    return f'"{text}"' if style.separator in text else text


def stamp(time: float, style: Style) -> str:
    """A time in the zone of the style."""
    return datetime.fromtimestamp(time, UTC).astimezone(ZoneInfo(style.zone)).strftime(style.stamp)


def wide(path: Path, names: Sequence[str], time: Floats, columns: Sequence[Floats], style: Style) -> Path:
    """One column a tag."""
    rows = [*style.title, style.separator.join(names)]
    if style.units:
        rows.append(style.separator.join(style.units))
    for row, moment in enumerate(time.tolist()):
        rows.append(style.separator.join([stamp(moment, style), *(number(float(column[row]), style) for column in columns)]))
    path.write_bytes((style.line_end.join(rows) + style.line_end).encode(style.encoding))
    return path
