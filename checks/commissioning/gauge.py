"""What a plan must know of a gauge, and what of it the site file does not say."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime

from checks.physics import T_H_PER_KG_S, attenuation_of_flow, true_rate
from config.model import Loop, SpeedSource
from config.nuclides import nuclide

DAY_S = 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeFacts:
    """A gauge on its belt, on one day.

    Rates are corrected for dead time [1/s]: `net_empty` is that of the empty belt without background, decayed to `day_s`
    [epoch s]. `factor` is C [kg/m], `speed` the nominal belt speed [m/s], `full` the flow at 20 mA [t/h], `belt_length` [m] or
    NaN where it is not declared.
    """

    net_empty: float
    background: float
    dead_time: float
    factor: float
    speed: float
    full: float
    belt_length: float
    damping: float
    decay_constant: float
    nuclide: str
    day_s: float

    @property
    def t_h_per_attenuation(self) -> float:
        """Flow of an attenuation of one [t/h]."""
        return T_H_PER_KG_S * self.factor * self.speed

    @property
    def turn_s(self) -> float:
        """Time of one turn of the belt [s], NaN where its length is not declared."""
        return self.belt_length / self.speed

    def net(self, flow: float) -> float:
        """Net rate at a flow [1/s]."""
        return self.net_empty * math.exp(-attenuation_of_flow(flow, self.factor, self.speed))

    def gross(self, flow: float) -> float:
        """Gross rate at a flow, without dead-time losses [1/s]."""
        return self.net(flow) + self.background

    def shown(self, flow: float) -> float:
        """Gross rate as a detector with dead time shows it [1/s]: n / (1 + n t)."""
        gross = self.gross(flow)
        return gross / (1.0 + gross * self.dead_time)


def facts_of(loop: Loop, day_s: float) -> GaugeFacts | list[str]:
    """The facts of a gauge on a day [epoch s], or what the site file lacks for a plan."""
    gauge = loop.gauge
    speed = gauge.fixed_speed if gauge.speed_source is SpeedSource.FIXED else loop.drive.speed_at_nominal
    missing = [
        name
        for name, value in (
            ("gauge.empty_belt_rate (from the last tare, or from the maker's calculation)", gauge.empty_belt_rate),
            ("gauge.reference_date (the day of that rate)", gauge.reference_date),
            ("gauge.load_per_attenuation", gauge.load_per_attenuation),
            ("drive.speed_at_nominal, or gauge.fixed_speed", speed),
        )
        if value is None
    ]
    if missing:
        return missing
    assert gauge.empty_belt_rate is not None
    assert gauge.reference_date is not None
    assert gauge.load_per_attenuation is not None
    assert speed is not None
    date = gauge.reference_date
    constant = math.log(2.0) / nuclide(gauge.nuclide).half_life_s
    reference = true_rate(gauge.empty_belt_rate, gauge.dead_time) - true_rate(gauge.background, gauge.dead_time)
    age = day_s - datetime(date.year, date.month, date.day, tzinfo=UTC).timestamp()
    return GaugeFacts(
        net_empty=reference * math.exp(-constant * age),
        background=true_rate(gauge.background, gauge.dead_time),
        dead_time=gauge.dead_time,
        factor=gauge.load_per_attenuation,
        speed=speed,
        full=gauge.range.high,
        belt_length=gauge.belt_length if gauge.belt_length is not None else math.nan,
        damping=gauge.damping,
        decay_constant=constant,
        nuclide=gauge.nuclide,
        day_s=day_s,
    )
