"""Runs with a known mass as people write them: local times, a mass with its unit, the window as it was moved."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from collector.commissioning.calibrating import Known
from config.errors import TallywireError
from config.units import parse_quantity

MOST_RUNS = 9
LONGEST_S = 86_400.0
LEAST_WINDOW_S = 60.0
"""Shortest steady part that is evaluated [s]; own estimate."""


def run_of(
    begin: str, end: str, mass: str, zone: ZoneInfo, *, where: str, window: tuple[str, str] | None = None, whole: bool = True
) -> Known:
    """A run from texts; TallywireError that names `where` for whatever cannot be one."""
    first, last = stretch_of(begin, end, zone, where)
    return Known(
        begin=first, end=last, reference=mass_of(mass, where), whole=whole,
        window=None if window is None else window_of(window, (first, last), zone, where),
    )  # fmt: skip


def stretch_of(begin: str, end: str, zone: ZoneInfo, where: str) -> tuple[float, float]:
    """Begin and end of a run [epoch s]."""
    first, last = time_of(begin, zone, where), time_of(end, zone, where)
    if not first < last <= first + LONGEST_S:
        raise TallywireError(f"from {begin!r} to {end!r} is no run", where=where, fix="it ends after it begins, within a day")
    return first, last


def mass_of(text: str, where: str) -> float:
    """A mass above zero [t]."""
    try:
        mass = parse_quantity(text, "t")
    except ValueError as error:
        raise TallywireError(str(error), where=where, fix="a mass such as 251.3 t") from error
    if not mass > 0.0:
        raise TallywireError(f"{text!r} is no mass of a run", where=where, fix="a mass above zero, such as 251.3 t")
    return mass


def window_of(window: tuple[str, str], run: tuple[float, float], zone: ZoneInfo, where: str) -> tuple[float, float]:
    """The window of a run [epoch s]."""
    first, last = (time_of(text, zone, where) for text in window)
    if not run[0] <= first < last <= run[1]:
        raise TallywireError("the window does not lie in the run", where=where, fix="move it inside")
    if last - first < LEAST_WINDOW_S:
        raise TallywireError("the window is shorter than a minute", where=where, fix="make it wider")
    return first, last


def time_of(text: str, zone: ZoneInfo, where: str) -> float:
    """A local time of the site, or one with its zone [epoch s]."""
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        raise TallywireError(
            f"{text!r} is no time", where=where, fix="write it as 2027-03-01 06:10, local time of the site"
        ) from None
    return (moment if moment.tzinfo is not None else moment.replace(tzinfo=zone)).timestamp()


def percent_of(text: str, where: str) -> float:
    """The expanded uncertainty of the reference scale [%], 0 to 10."""
    try:
        percent = float(text.strip().removesuffix("%").replace(",", "."))
    except ValueError:
        percent = -1.0
    if not 0.0 <= percent <= 10.0:
        raise TallywireError("the uncertainty of the scale is no number from 0 to 10 %", where=where, fix="such as 0.1")
    return percent


def tare_of(text: str, where: str) -> float:
    """How long the last tare counted [s]."""
    try:
        seconds = float(text.strip().removesuffix("s").replace(",", "."))
    except ValueError:
        seconds = 0.0
    if not 0.0 < seconds <= LONGEST_S:
        raise TallywireError("the length of the tare is no number of seconds above 0", where=where, fix="such as 300")
    return seconds
