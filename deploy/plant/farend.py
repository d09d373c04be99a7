"""The current loop, the input card, the scaling block and the totalizer of the PLC."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from deploy.plant.field import daily
from deploy.plant.scenario import Swings
from deploy.plant.spec import Card, LoopSpec
from deploy.plant.stages import Average, Damping, Delay, Floats, Hold, Totalizer

OTHER_S = 311
"""The other loop does not follow the ten minutes of this one [s]."""
LATEST_S = 4000
"""The latest that the PLC may be read [s]."""


class FarEndState:
    """Memory of the path from the output of the gauge to the totalizer of the PLC."""

    def __init__(self, spec: LoopSpec, rng: np.random.Generator) -> None:
        self._dac_noise, self._card_noise, self._monitor_noise, self._cabinet_noise, self._other_noise = rng.spawn(5)
        self._dac, self._lag, self._feed_lag = Hold(12.0), Delay(), Delay()
        self._filter, self._average = Damping(), Average()
        self._other, self._other_filter = Swings(4242), Damping()
        self._shift: dict[str, Delay] = {}
        self.total = Totalizer(spec.plc_total.start)

    def advance(
        self, spec: LoopSpec, gauge: dict[str, Floats], field: dict[str, Floats], time_s: NDArray[np.int64]
    ) -> dict[str, Floats]:
        """All roles of the PLC side."""
        n, block, total = len(time_s), spec.block, spec.plc_total
        current = self._lag(self._current(spec, gauge["exact_output"]), block.lag)
        if spec.card.foreign:
            current = self._other_loop(time_s)
        raw = self._raw(spec.card, current)
        flow = self._scaled(spec, raw)
        step = flow * total.factor / 3600.0
        if total.gate:
            step = np.where(self._feed_lag(field["feed_running"], block.lag) > 0.0, step, 0.0)
        else:
            self._feed_lag(field["feed_running"], block.lag)
        air = spec.surroundings
        monitor = current + spec.card.monitor_offset + 0.001 * self._monitor_noise.standard_normal(n)
        cabinet = daily(time_s, air.mean + air.cabinet_rise, air.swing * 0.6, 15.5) + 0.1 * self._cabinet_noise.standard_normal(
            n
        )
        shown = flow if block.again is None else block.again[0] + block.again[1] * flow
        return {
            "loop_current": self._late("loop_current", np.round(monitor, 3), block.late),
            "ai_raw": self._late("ai_raw", raw, block.late),
            "plc_flow": self._late("plc_flow", shown.astype(np.float32).astype(np.float64), block.late),
            "plc_total": self._late("plc_total", self.total(step, total.resolution, total.rollover, total.single), block.late),
            "plc_range_low": np.full(n, block.range_low),
            "plc_range_high": np.full(n, block.range_high),
            "plc_unit": np.full(n, float(block.unit_id)),
            "plc_forced": np.full(n, float(block.force_bit)),
            "plc_block_mode": np.full(n, block.mode),
            "plc_heartbeat": ((time_s + block.heartbeat_shift) % 65536).astype(np.float64),
            "maintenance": np.full(n, float(block.maintenance)),
            "cabinet_temperature": np.round(cabinet, 1),
            "loop_supply_voltage": np.full(n, spec.wire.supply),
            "ambient_temperature": np.round(daily(time_s, air.mean, air.swing, 14.0), 1),
            "moisture": np.full(n, air.moisture),
        }

    def _late(self, role: str, values: Floats, seconds: int) -> Floats:
        return self._shift.setdefault(role, Delay(LATEST_S))(values, seconds)

    def _other_loop(self, time_s: NDArray[np.int64]) -> Floats:
        """The current of another loop: its own loads, with counting noise."""
        feed = self._other.plan(time_s + OTHER_S).feed
        current: Floats = (
            4.0 + 16.0 * self._other_filter(feed, 12.0) / 420.0 + 0.1 * self._other_noise.standard_normal(len(time_s))
        )
        return current

    def _current(self, spec: LoopSpec, output: Floats) -> Floats:
        wire = spec.wire
        noise = wire.noise * self._dac_noise.standard_normal(len(output))
        sent = 4.0 + wire.trim_gain * (output - 4.0) + wire.trim_offset
        sent = self._dac(sent, wire.frozen) + noise
        if wire.held is not None:
            sent = wire.held + noise
        through = np.minimum(sent, wire.ceiling) * wire.gain + wire.offset
        return np.abs(noise) if wire.open else through

    def _raw(self, card: Card, current: Floats) -> Floats:
        span = card.full_current - card.zero_current
        noise = card.noise * self._card_noise.standard_normal(len(current))
        raw = np.round(card.gain * card.full_raw * (current - card.zero_current) / span + noise)
        if card.break_raw is not None:
            raw = np.where(current < 2.0, card.break_raw, raw)
            return np.clip(raw, -32768.0, 32767.0)
        raw = np.clip(raw, card.low_raw, card.high_raw)
        return np.where(raw < 0.0, raw + 65536.0, raw) if card.unsigned else raw

    def _scaled(self, spec: LoopSpec, raw: Floats) -> Floats:
        block = spec.block
        part = (raw - block.raw_low) / (block.raw_high - block.raw_low)
        if block.square_root:
            part = np.sqrt(np.maximum(part, 0.0))
        flow = block.factor * (block.range_low + (block.range_high - block.range_low) * part)
        flow = self._average(self._filter(flow, block.filter), block.average)
        flow = np.where(np.abs(flow) < block.low_cutoff, 0.0, flow)
        if block.clamp_at_zero:
            flow = np.maximum(flow, 0.0)
        if block.clamp_high is not None:
            flow = np.minimum(flow, block.clamp_high)
        return flow if block.forced is None else np.full(len(flow), block.forced)
