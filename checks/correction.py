"""The setting that puts a line right: what it acts as now, what to enter on which side, and what that will do.

A mechanism draws a line of its own, y = offset + slope * x. With its number rounded as a technician would type it, that line
is undone, and what is left of the measured one is the prediction: slope 1 and offset 0 where the mechanism is all there is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from checks.finding import Correction, Predicted
from checks.hypotheses import BASES, RAW_SPANS, TONS, Measured
from checks.lines import Line
from checks.window import Window
from config.model import FlowRange

Side = Literal["gauge", "plc", "gauge or plc"]

STEPS = (5.0, 2.0, 1.0)
"""Round numbers are multiples of these times a power of ten."""
LEAST = 0.0002
"""No range is known better than this part of the span, whatever the fit says."""
TON_WORDS = {
    1.10231: "short tons are shown as tonnes", 0.98421: "long tons are shown as tonnes",
    0.90718: "tonnes are shown as short tons", 1.01605: "tonnes are shown as long tons",
    1.12: "short tons are shown as long tons", 0.8929: "long tons are shown as short tons",
}  # fmt: skip
NEAR_RAW = 0.003
"""A raw constant this close to its declared value is not the one that is wrong [parts of the raw span]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Way:
    """One mechanism with its number: the line it draws."""

    side: Side
    setting: str
    unit: str
    acts_as: float
    computed: float
    uncertainty: float
    enter: float
    slope: float
    offset: float
    otherwise: str = ""


LEAST_SLOPE = 1e-3
"""A mechanism that leaves less than this of the flow is no setting that could be corrected."""


def typed(value: float, uncertainty: float) -> float:
    """The roundest number (a multiple of 5, 2 or 1 times a power of ten, the largest that will do) within `uncertainty`."""
    if not math.isfinite(value) or uncertainty <= 0.0 or not math.isfinite(uncertainty):
        return value
    top = math.ceil(math.log10(max(abs(value), uncertainty, 1e-9)))
    for power in range(top, top - 16, -1):
        for step in STEPS:
            unit = step * 10.0**power
            found = round(value / unit) * unit
            if abs(found - value) <= uncertainty and (found or abs(value) <= uncertainty):
                return float(f"{found:.12g}")
    return value


def nearest(value: float, known: Iterable[float], uncertainty: float) -> float | None:
    """The one of some constants that lies within `uncertainty` and nearest; None where none does."""
    found = min(known, key=lambda constant: abs(constant - value), default=None)
    return found if found is not None and abs(found - value) <= uncertainty else None


def of_line(window: Window, line: Line, cause: str, measured: Measured, begin: int) -> Correction | None:
    """The correction of a line whose cause is known; None where the cause is no setting (a leak, a limit, a stray current)."""
    maker = _WAYS.get(cause)
    follows = abs(1.0 + measured.gain) > LEAST_SLOPE
    way = maker(window, line, measured) if maker is not None and follows else None
    if way is None or not math.isfinite(way.slope) or abs(way.slope) < LEAST_SLOPE:
        return None
    gain = 1.0 + measured.gain
    mean = mean_flow(window, begin)
    slope, offset = gain / way.slope, (measured.offset - way.offset) / way.slope
    return Correction(
        side=way.side, setting=way.setting, unit=way.unit, acts_as=way.acts_as, computed=way.computed,
        uncertainty=way.uncertainty, enter=way.enter, before=predicted(gain, measured.offset, mean),
        after=predicted(slope, offset, mean), otherwise=way.otherwise,
    )  # fmt: skip


def of_read_back(window: Window, line: Line, cause: str) -> Correction | None:
    """The correction of a range that is read back and is not the declared one, whatever the flow shows of it yet."""
    maker = _WAYS.get(cause)
    if maker is None:
        return None
    end = "high" if cause == "upper-range" else "low"
    side = _undeclared(window, end)
    if not side:
        return None
    value = window.settings[f"{side}_range_{end}"]
    offset, slope = _drawn(line, end, value, gauge=side == "gauge")
    return of_line(
        window, line, cause, Measured(offset=offset, gain=slope - 1.0, covariance=np.zeros((2, 2))), window.end_s - 60
    )


def predicted(slope: float, offset: float, mean: float) -> Predicted:
    """A line with its error at a mean flow [t/h]."""
    return Predicted(slope=slope, offset_t_h=offset, rate_error_t_h=offset + (slope - 1.0) * mean)


def mean_flow(window: Window, begin: int) -> float:
    """Mean gauge flow over the running belt since `begin` [t/h]; 0 where it did not run."""
    blocks = window.blocks
    rows = (blocks.start_s >= begin) & (blocks.state("stopped") == 0.0)
    hours = float(blocks.measured_s[rows].sum()) / 3600.0
    return float(np.nansum(blocks.own_t[rows])) / hours if hours > 0.0 else 0.0


def words(found: Correction) -> tuple[str, ...]:
    """The correction in sentences for people."""
    side = {"plc": "the PLC", "gauge": "the gauge", "gauge or plc": "the gauge or the PLC, whichever is wrong"}[found.side]
    out = []
    if found.enter is not None:
        now = ""
        if found.acts_as is not None and found.computed is not None:
            spread = f" ± {_digits(found.uncertainty, found.uncertainty)}, k = 2" if found.uncertainty else ""
            exact = f" ({_digits(found.computed, found.uncertainty)}{spread})" if spread else ""
            now = f"; it acts as {_with(f'{found.acts_as:.7g}', found.unit)}{exact}"
        elif found.computed is not None:
            spread = f" ± {_digits(found.uncertainty, found.uncertainty)}, k = 2" if found.uncertainty else ""
            instead = f" instead of {found.present:.7g}" if found.present is not None else ""
            now = f"{instead} (computed {_digits(found.computed, found.uncertainty)}{spread})"
        out.append(f"Enter {_with(f'{found.enter:.7g}', found.unit)} as {found.setting} in {side}{now}.")
    if found.after is not None:
        before, after = found.before, found.after
        out.append(
            f"Slope {before.slope:.4f} becomes {after.slope:.4f}, offset {_zero(before.offset_t_h, 2)} t/h becomes "
            f"{_zero(after.offset_t_h, 2)} t/h, the error at the mean flow {before.rate_error_t_h:+.1f} t/h becomes "
            f"{_zero(after.rate_error_t_h, 1)} t/h."
        )
    if found.otherwise:
        out.append(f"{found.otherwise[:1].upper()}{found.otherwise[1:]}.")
    return tuple(out)


def _zero(value: float, digits: int) -> str:
    text = f"{value:+.{digits}f}"
    return text[1:] if float(text) == 0.0 else text


def _with(number: str, unit: str) -> str:
    return f"{number} {unit}" if unit and unit != "1" else number


def _digits(value: float, uncertainty: float | None) -> str:
    """A number to two digits of its uncertainty."""
    if not uncertainty:
        return f"{value:.7g}"
    places = max(0, 1 - math.floor(math.log10(uncertainty)))
    return f"{value:.{min(places, 7)}f}"


def _spread(measured: Measured, along: NDArray[np.float64], span: float) -> float:
    """Expanded uncertainty (k = 2) of a number with the derivatives `along` by offset and slope, floored."""
    variance = float(along @ measured.covariance @ along)
    return 2.0 * math.sqrt(max(variance, 0.0) + (LEAST * span / 2.0) ** 2)


def _undeclared(window: Window, end: str) -> Literal["", "gauge", "plc"]:
    """The side whose range is read back and is not the declared one; empty where none or both."""
    gauge, plc = _off(window, "gauge", window.loop.gauge.range, end), _off(window, "plc", window.loop.plc.range, end)
    return "" if gauge == plc else "gauge" if gauge else "plc"


def _off(window: Window, side: str, declared: FlowRange, end: str) -> bool:
    value = window.settings.get(f"{side}_range_{end}")
    return value is not None and abs(value - getattr(declared, end)) > 0.0005 * (declared.high - declared.low)


def _drawn(line: Line, end: str, value: float, *, gauge: bool) -> tuple[float, float]:
    """Offset and slope of the line that a range with `value` at one end draws, the other end as declared."""
    low, high = (line.low, value) if end == "high" else (value, line.high)
    if gauge:
        slope = line.span / (high - low)
        return line.low - low * slope, slope
    slope = (high - low) / line.span
    return low - line.low * slope, slope


def _range(end: str) -> Callable[[Window, Line, Measured], _Way | None]:
    def way(window: Window, line: Line, measured: Measured) -> _Way | None:
        gain, declared = 1.0 + measured.gain, line.high if end == "high" else line.low
        known = _undeclared(window, end)
        whole = line.x_role == "flow" and not line.analogue
        gauge = known == "gauge" or (line.analogue and known != "plc")
        side: Side = known or ("gauge" if line.analogue else "gauge or plc" if whole else "plc")
        if gauge:
            computed = (declared - measured.offset) / gain
            along = np.array([-1.0 / gain, -computed / gain])
        else:
            computed = measured.offset + gain * declared
            along = np.array([1.0, declared])
        uncertainty = _spread(measured, along, line.span)
        acts_as = window.settings[f"{known}_range_{end}"] if known else typed(computed, uncertainty)
        other_end = line.low if end == "high" else line.high
        if abs(acts_as - other_end) < 1e-6 * line.span:
            return None
        offset, slope = _drawn(line, end, acts_as, gauge=gauge)
        mark = "20 mA" if end == "high" else "4 mA"
        if side == "gauge or plc":
            sent = (declared - measured.offset) / gain
            otherwise = (
                f"{acts_as:g} t/h in the PLC or {typed(sent, uncertainty):g} t/h in the gauge draw the same line: read both, and "
                f"enter {declared:g} t/h where it is not"
            )
        else:
            other = "PLC" if side == "gauge" else "gauge"
            otherwise = f"if {acts_as:g} t/h is the range that is meant, enter {acts_as:g} t/h in the {other} instead"
        return _Way(
            side=side, setting=f"flow at {mark}", unit="t/h", acts_as=acts_as, computed=computed, uncertainty=uncertainty,
            enter=declared, slope=slope, offset=offset, otherwise=otherwise,
        )  # fmt: skip

    return way


def _raw_span(window: Window, line: Line, measured: Measured) -> _Way | None:
    """Raw constants of the block: whichever end is not where it is declared."""
    if line.analogue:
        return None
    raw, gain = window.loop.plc.raw_span, 1.0 + measured.gain
    per = (raw.high - raw.low) / line.span
    at = {end: (getattr(line, end) - measured.offset) / gain for end in ("low", "high")}
    counts = {end: raw.low + (flow - line.low) * per for end, flow in at.items()}
    spreads = {
        end: _spread(measured, np.array([-1.0 / gain, -flow / gain]), line.span) * per for end, flow in at.items()
    }  # fmt: skip
    close = NEAR_RAW * (raw.high - raw.low)
    off = [end for end in ("low", "high") if abs(counts[end] - getattr(raw, end)) > max(spreads[end], close)]
    if len(off) != 1:
        return None
    end = off[0]
    constant = nearest(counts[end], (*RAW_SPANS, 0.0, 27648.0, 5530.0, 6400.0), max(spreads[end], close))
    acts_as = constant if constant is not None else typed(counts[end], spreads[end])
    low, high = (acts_as, raw.high) if end == "low" else (raw.low, acts_as)
    slope = (raw.high - raw.low) / (high - low)
    offset = line.low - (line.low + (low - raw.low) / per) * slope
    return _Way(
        side="plc", setting=f"raw counts at {'4' if end == 'low' else '20'} mA", unit="counts", acts_as=acts_as,
        computed=counts[end], uncertainty=spreads[end], enter=getattr(raw, end), slope=slope, offset=offset,
    )  # fmt: skip


def _factor(constants: tuple[float, ...]) -> Callable[[Window, Line, Measured], _Way | None]:
    def way(window: Window, line: Line, measured: Measured) -> _Way | None:
        gain = 1.0 + measured.gain
        uncertainty = 2.0 * math.sqrt(max(float(measured.covariance[1, 1]), 0.0) + (0.001 * gain) ** 2)
        constant = nearest(gain, constants, max(2.0 * uncertainty, 0.01 * gain))
        if constant is None:
            return None
        return _Way(
            side="gauge" if line.analogue else "gauge or plc" if line.x_role == "flow" else "plc", setting="factor of the flow",
            unit="1", acts_as=constant, computed=gain, uncertainty=uncertainty, enter=1.0, slope=constant, offset=0.0,
            otherwise=TON_WORDS.get(constant, "another unit of time or magnitude is shown as t/h")
            + ": set the same unit at both ends",
        )  # fmt: skip

    return way


def _live_zero(window: Window, line: Line, measured: Measured) -> _Way | None:
    """The two mixes of 0-20 and 4-20 mA are exact: a fifth of the span up, or a quarter down, at 4 mA."""
    gain = 1.0 + measured.gain
    slope = min((0.8, 1.25), key=lambda known: abs(known - gain))
    computed = 20.0 - 16.0 / gain if slope < 1.0 else 20.0 - 16.0 * gain
    uncertainty = 40.0 * math.sqrt(max(float(measured.covariance[1, 1]), 0.0)) + 0.005
    card = "the channel reads 0 to 20 mA" if slope < 1.0 else "the signal is sent as 0 to 20 mA"
    return _Way(
        side="plc" if slope < 1.0 else "gauge or plc", setting="live zero of the channel", unit="mA",
        acts_as=0.0, computed=computed, uncertainty=uncertainty, enter=4.0, slope=slope,
        offset=line.high * (1.0 - slope), otherwise=f"{card}: set both ends to 4 to 20 mA",
    )  # fmt: skip


def _trim(window: Window, line: Line, measured: Measured) -> _Way | None:
    """The current that the output really sends where it means 20 mA."""
    gain = 1.0 + measured.gain
    computed = line.ma(measured.offset + gain * line.high)
    uncertainty = _spread(measured, np.array([1.0, line.high]), line.span) * 16.0 / line.span
    acts_as = typed(computed, uncertainty)
    slope = (acts_as - 4.0) / 16.0
    return _Way(
        side="gauge", setting="trim of the output at 20 mA", unit="mA", acts_as=acts_as, computed=computed,
        uncertainty=uncertainty, enter=20.0, slope=slope, offset=line.low * (1.0 - slope),
        otherwise="read both ranges first: a trim that hides a wrong range is a second fault",
    )  # fmt: skip


_WAYS: dict[str, Callable[[Window, Line, Measured], _Way | None]] = {
    "upper-range": _range("high"),
    "lower-range": _range("low"),
    "raw-span": _raw_span,
    "ton-unit": _factor(TONS),
    "time-base": _factor(BASES),
    "live-zero-mix": _live_zero,
    "output-trim": _trim,
}
