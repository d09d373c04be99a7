"""The gauge: from counts to flow, current and total, as the transmitter computes it.

The count rate is damped first, then dead time, background and decay are taken off and the logarithm is taken:
A = ln((n0 - b)/(n - b)), load = C A, flow = 3.6 load v.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from deploy.plant.field import decay
from deploy.plant.spec import Gauge, LoopSpec
from deploy.plant.stages import Damping, Floats, Hold, Totalizer

STATUS_DETECTOR, STATUS_OVER_RANGE, STATUS_SHUTTER, STATUS_TEST, STATUS_CALIBRATING = 1.0, 2.0, 4.0, 8.0, 16.0
HOT_C = 50.0


class GaugeState:
    """Memory of one transmitter."""

    def __init__(self, spec: LoopSpec, rng: np.random.Generator) -> None:
        self._rate, self._output = Damping(), Damping()
        self._speed, self._flow = Hold(spec.belt.speed), Hold()
        self.total = Totalizer(spec.gauge.total_start)
        self._last_flow: float | None = None
        self._noise = rng

    def advance(
        self, spec: LoopSpec, field: dict[str, Floats], time_s: NDArray[np.int64], trickle: Floats | None = None
    ) -> dict[str, Floats]:
        """All roles of the gauge, and `exact_flow` before rounding."""
        gauge, n = spec.gauge, len(time_s)
        rate = self._rate(field["raw_counts"], gauge.damping)
        speed = self._speed_of(gauge, field)
        empty = tared_rate(gauge, time_s)
        read_back = np.full(n, gauge.empty_net)
        if trickle is not None and gauge.auto_zero:
            followed = np.exp(-spec.source.attenuation * trickle / (3.6 * spec.belt.speed * spec.belt.width))
            empty = gauge.background + (empty - gauge.background) * followed
            read_back = read_back * followed
        live = rate / (1.0 - np.minimum(rate * gauge.dead_time, 0.9)) - gauge.background
        attenuation = np.log((empty - gauge.background) / np.maximum(live, 0.5))
        load = gauge.load_per_attenuation * attenuation
        flow = np.clip(3.6 * load * speed, -gauge.flow_limit, gauge.flow_limit)
        flow = np.where(np.abs(flow) < gauge.low_cutoff, 0.0, flow)
        flow = self._flow.where(flow, (field["drive_running"] > 0.0) | (not gauge.flow_held))
        shown = np.round(flow / gauge.resolution) * gauge.resolution
        output = self._output_of(gauge, flow if not gauge.output_of_load else load * gauge.range_high / gauge.output_of_load)
        step = np.zeros(n) if gauge.calibrating else self._step(flow) / 3600.0
        closed = spec.source.shutter < 0.5 if gauge.shutter_indicator is None else gauge.shutter_indicator > 0.5
        over = flow > gauge.range_high
        status = STATUS_OVER_RANGE * over + STATUS_SHUTTER * closed + STATUS_TEST * (gauge.output_mode != 0.0)
        status = status + STATUS_DETECTOR * (field["detector_temperature"] > HOT_C) + STATUS_CALIBRATING * gauge.calibrating
        return {
            "exact_flow": flow,
            "flow": np.round(shown, 6),
            "load": np.round(load, 2),
            "speed": np.round(speed, 4),
            "count_rate": np.round(rate, 1) if gauge.counts_filtered else field["raw_counts"],
            "gauge_output": np.round(output, 3),
            "exact_output": output,
            "gauge_total": self.total(step, gauge.total_resolution, gauge.total_rollover),
            "gauge_status": status,
            "gauge_over_range": over.astype(np.float64),
            "gauge_clock": time_s + gauge.clock_offset_s,
            "gauge_uptime": (time_s - gauge.started_s) % 4294967296.0,
            "gauge_output_mode": np.full(n, gauge.output_mode),
            "gauge_range_low": np.full(n, gauge.range_low),
            "gauge_range_high": np.full(n, gauge.range_high),
            "gauge_unit": np.full(n, float(gauge.unit_id)),
            "nuclide_code": np.full(n, float(gauge.mass_number)),
            "empty_belt_rate": np.round(read_back + gauge.background, 1),
            "background_rate": np.full(n, gauge.background),
            "shutter_closed": np.full(n, float(closed)),
            "calibrating": np.full(n, float(gauge.calibrating)),
        }

    def _speed_of(self, gauge: Gauge, field: dict[str, Floats]) -> Floats:
        true = field["true_speed"]
        if gauge.fixed_speed is not None:
            measured = np.where(field["drive_running"] > 0.0, gauge.fixed_speed, 0.0)
        else:
            measured = np.round(true * gauge.speed_factor, 3)
        if gauge.speed_lost:
            measured = np.zeros(len(true))
        if gauge.speed_held:
            return self._speed.where(measured, (field["drive_running"] > 0.0) & (measured > 0.0))
        return self._speed(measured, False)

    def _output_of(self, gauge: Gauge, flow: Floats) -> Floats:
        damped = self._output(flow, gauge.output_damping)
        current = 4.0 + 16.0 * (damped - gauge.range_low) / (gauge.range_high - gauge.range_low)
        if gauge.fixed_current is not None:
            return np.full(len(flow), gauge.fixed_current)
        return np.clip(current, gauge.limit_low, gauge.limit_high)

    def _step(self, flow: Floats) -> Floats:
        """Mean flow over each second by the trapezoid [t/h]."""
        if len(flow) == 0:
            return flow
        before = np.concatenate([[flow[0] if self._last_flow is None else self._last_flow], flow[:-1]])
        self._last_flow = float(flow[-1])
        return 0.5 * (before + flow)


def tared_rate(gauge: Gauge, time_s: NDArray[np.int64]) -> Floats:
    """Gross count rate [1/s] that the gauge takes for the empty belt at these seconds."""
    if not gauge.compensates_decay:
        return np.full(len(time_s), gauge.empty_net + gauge.background)
    age = time_s - gauge.tared_s + gauge.decay_shift_s
    if gauge.decay_step_s > 0.0:
        age = np.floor(age / gauge.decay_step_s) * gauge.decay_step_s
    out: Floats = gauge.background + gauge.empty_net * decay(gauge.mass_number, age)
    return out
