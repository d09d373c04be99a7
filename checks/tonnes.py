"""Tonnes mis-stated since a difference began."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from checks.blocks import ARRAYS, Blocks
from checks.hypotheses import Measured
from checks.shifts import Part

BOOKED = 0.5
"""Part of what the line says of a standing belt that the PLC must show there."""
TELLING_T = 0.5
"""Tonnes from which a total of usual digits tells whether it counts [t]."""

ON_LIMIT, LIMIT_WIDTH = 3, 0.002
"""Rows that lie on a limit, and how close to each other [parts of what all rows cover]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Misstated:
    """Tonnes too many (+) or too few (-) with their expanded uncertainty (k = 2), and the rate at the mean flow [t/h].

    `part` gives the tonnes of any stretch of the blocks since the begin; None where they cannot be split.
    """

    tonnes: float
    uncertainty: float
    rate_t_h: float
    part: Part | None = field(default=None, compare=False, repr=False)


def of_rows(start_s: NDArray[np.int64], each: NDArray[np.float64], uncertainty: float) -> Part:
    """Splits tonnes that are known row by row, `each` [t] at `start_s`; a stretch has its share of the uncertainty [t]."""
    whole = float(np.nansum(np.abs(each)))

    def part(rows: Blocks) -> tuple[float, float]:
        here = each[np.isin(start_s, rows.start_s)]
        share = float(np.nansum(np.abs(here))) / whole if whole > 0.0 else 0.0
        return float(np.nansum(here)), uncertainty * share

    return part


def since(blocks: Blocks, begin: int) -> Blocks:
    """The blocks that start at or after a moment [epoch s]."""
    return blocks[int(np.searchsorted(blocks.start_s, begin)) :]


SHARED = ("own_t", "plc_own_t", "measured_s", "plc_measured_s", "increment_t")
"""What a part of a block has a part of."""


def between(blocks: Blocks, begin: float, end: float) -> Blocks:
    """The blocks of begin..end [epoch s]; those that lie in it in part have their part of tonnes and seconds."""
    first = int(np.searchsorted(blocks.start_s, begin - blocks.length_s, side="right"))
    some = blocks[first : int(np.searchsorted(blocks.start_s, end))]
    inside = np.minimum(some.start_s + some.length_s, end) - np.maximum(some.start_s, begin)
    share = np.clip(inside / some.length_s, 0.0, 1.0)
    if (share == 1.0).all():
        return some
    arrays = {name: getattr(some, name) for name in ARRAYS}
    return some.with_arrays(
        arrays | {name: arrays[name] * (share[:, None] if arrays[name].ndim > 1 else share) for name in SHARED}
    )


def of_line(blocks: Blocks, measured: Measured, begin: int, interval: tuple[int, int]) -> Misstated:
    """The fitted error O + (G - 1) F integrated over the flow since `begin`; the interval of the begin counts as uncertain.

    The raw difference is not integrated: it would carry the lag and every gap. Hours count while the belt moved, and while it
    stood where the PLC went on booking what the line says. A line that leaves a limit on which the PLC lay since the begin
    is cut there: a current ends at 3.8 mA, a clamp at zero, whatever the line goes on to say.
    """
    late = _late(blocks, measured, begin, interval)
    found = _line_part(between(blocks, begin, math.inf), measured, late)

    def part(rows: Blocks) -> tuple[float, float]:
        holds = len(rows) > 0 and rows.start_s[0] < begin + rows.length_s
        return _line_part(between(rows, begin, math.inf), measured, late if holds else 0.0)[:2]

    return Misstated(tonnes=found[0], uncertainty=found[1], rate_t_h=found[2], part=part)


def _late(blocks: Blocks, measured: Measured, begin: int, interval: tuple[int, int]) -> float:
    """Tonnes that lie between the begin and the ends of its interval, the larger side: as wrong as the begin can make them."""
    sides = ((interval[0], begin), (begin, max(interval[1], begin)))
    tonnes = [_line_part(between(blocks, first, max(last, first)), measured, 0.0)[0] for first, last in sides]
    return max(abs(value) for value in tonnes)


def _line_part(part: Blocks, measured: Measured, late: float) -> tuple[float, float, float]:
    """Tonnes, their expanded uncertainty [t] and the rate at the mean flow [t/h] over some blocks.

    `late` are the tonnes [t] that the uncertain begin makes.
    """
    if not len(part):
        return 0.0, 0.0, 0.0
    counted = part.state("stopped") == 0.0
    hours, own = _passed(part, counted)
    rate = measured.offset + (measured.gain * own / hours if hours > 0.0 else 0.0)
    if _books(part, ~counted, measured):
        counted[:] = True
    each, inside = _each(part, measured)
    along = np.array(_passed(part, counted & inside))
    statistical = float(along @ measured.covariance @ along)
    return float(each[counted].sum()), float(np.sqrt(max(4.0 * statistical, 0.0) + late**2)), rate


def _each(part: Blocks, measured: Measured) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Tonnes mis-stated in each block, and whether the line was inside what the PLC showed."""
    hours = part.measured_s / 3600.0
    own = np.nan_to_num(part.own_t, nan=0.0)
    shown = own + measured.offset * hours + measured.gain * own
    low, high = _ends(part.of("mean", "plc_flow"))
    with np.errstate(invalid="ignore"):  # no end, no hours: nothing is counted there
        cut = np.clip(shown, low * hours, high * hours) if np.isfinite([low, high]).any() else shown
    return np.asarray(np.where(hours > 0.0, cut - own, 0.0), np.float64), np.asarray(cut == shown)


def _ends(seen: NDArray[np.float64]) -> tuple[float, float]:
    """The least and the largest flow [t/h] of these where rows lie on it, as on a limit; infinite where none do."""
    seen = seen[np.isfinite(seen)]
    if len(seen) < ON_LIMIT:
        return -np.inf, np.inf
    low, high = float(seen.min()), float(seen.max())
    close = LIMIT_WIDTH * (high - low)
    return (
        low if (seen <= low + close).sum() >= ON_LIMIT else -np.inf,
        high if (seen >= high - close).sum() >= ON_LIMIT else np.inf,
    )


def _passed(part: Blocks, rows: NDArray[np.bool_]) -> tuple[float, float]:
    """Hours with a usable flow, and tonnes that passed in them."""
    return float(part.measured_s[rows].sum()) / 3600.0, float(np.nansum(part.own_t[rows]))


def _books(part: Blocks, still: NDArray[np.bool_], measured: Measured) -> bool:
    """Whether the PLC booked on a standing belt what the line says of it: by its flow, and by its total where that tells.

    A PLC that shows nothing there, or a total that is gated, books no error.
    """
    demanded = float(_each(part, measured)[0][still].sum())
    own = _passed(part, still)[1]
    shown = float(np.nansum(part.plc_own_t[still])) - own
    if abs(demanded) <= 0.0 or shown * np.sign(demanded) < BOOKED * abs(demanded):
        return False
    gained = part.increment_t[still, 1]
    tells = abs(demanded) > TELLING_T and bool(np.isfinite(gained).any())
    return not tells or (float(np.nansum(gained)) - own) * np.sign(demanded) >= BOOKED * abs(demanded)


def of_flows(blocks: Blocks, begin: int, relative: float = 0.01) -> Misstated | None:
    """PLC flow less gauge flow, integrated over the blocks since `begin` that have both; None where there are none."""
    length = blocks.length_s
    found = _flows_part(since(blocks, begin - length + 1), relative)  # the block of the begin counts: before it both agreed
    return None if found is None else Misstated(
        tonnes=found[0], uncertainty=found[1], rate_t_h=found[2],
        part=lambda rows: (_flows_part(rows, relative) or (0.0, 0.0, 0.0))[:2],
    )  # fmt: skip


def _flows_part(part: Blocks, relative: float) -> tuple[float, float, float] | None:
    both = (part.measured_s > 0.0) & (part.plc_measured_s > 0.0) & np.isfinite(part.own_t) & np.isfinite(part.plc_own_t)
    hours = float(part.measured_s[both].sum()) / 3600.0
    if hours <= 0.0:
        return None
    own, shown = float(part.own_t[both].sum()), float(part.plc_own_t[both].sum())
    tonnes = shown - own
    return tonnes, 2.0 * relative * max(abs(own), abs(shown)), tonnes / hours
