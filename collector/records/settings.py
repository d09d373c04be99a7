"""The settings of a loop that a record states, both sides beside each other, as the site file declares them."""

from __future__ import annotations

from collector.records.chain_report import SettingLine
from config.model import Loop, Totalizer


def settings_of(loop: Loop) -> tuple[SettingLine, ...]:
    """What carries the signal: ranges, filters, cut-offs, totals; then what the gauge computes with."""
    gauge, plc = loop.gauge, loop.plc
    rows = [
        ("flow at 4 mA", f"{gauge.range.low:g} t/h", f"{plc.range.low:g} t/h"),
        ("flow at 20 mA", f"{gauge.range.high:g} t/h", f"{plc.range.high:g} t/h"),
        ("raw counts at 4 mA and 20 mA", "", f"{plc.raw_span.low:g}, {plc.raw_span.high:g}"),
        ("damping, filter", f"{gauge.damping:g} s", f"{plc.filter:g} s"),
        ("low-flow cut-off", f"{gauge.low_cutoff:g} t/h", f"{plc.low_cutoff:g} t/h"),
        ("totalizer", _total(gauge.total), _total(plc.total)),
        ("nuclide", gauge.nuclide, ""),
        ("reference date", gauge.reference_date.isoformat() if gauge.reference_date else "not declared", ""),
        ("empty-belt rate", _or_not(gauge.empty_belt_rate, "1/s"), ""),
        ("background", f"{gauge.background:g} 1/s", ""),
        ("dead time", f"{gauge.dead_time * 1e6:g} µs", ""),
        ("load per attenuation", _or_not(gauge.load_per_attenuation, "kg/m"), ""),
        ("belt length", _or_not(gauge.belt_length, "m"), ""),
        ("belt speed", gauge.speed_source.value + (f" {gauge.fixed_speed:g} m/s" if gauge.fixed_speed else ""), ""),
        (
            "limits of a link, doubtful and differs",
            f"{loop.limits.link.suspect:g} %, {loop.limits.link.fault:g} % of span",
            f"{loop.limits.link.suspect:g} %, {loop.limits.link.fault:g} % of span",
        ),
    ]
    return tuple(SettingLine(name=name, gauge=left, plc=right) for name, left, right in rows)


def _total(total: Totalizer) -> str:
    over = f", starts again at {total.rollover:,.0f} t" if total.rollover is not None else ""
    return f"one digit {total.resolution:g} t{over}"


def _or_not(value: float | None, unit: str) -> str:
    return "not declared" if value is None else f"{value:g} {unit}"
