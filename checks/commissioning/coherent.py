"""Numbers of one moment that fit together by physics: flow = 3.6 x load x speed, current = 4 to 20 mA over the range.

Of a device of which nothing is known yet, three numbers that obey the law of the belt are told from thousands that do not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from checks.physics import T_H_PER_KG_S
from checks.signal import current_of
from config.model import Loop, SpeedSource

SAME = 0.01
"""A gauge computes its flow from the very load and speed it shows, up to rounding and a second between them [parts]."""
SPEED_WITHIN = 0.25
"""How far the speed may be from the declared one; a belt of variable speed from a tenth of it to more [parts]."""
CURRENT_WITHIN = 0.1
LEAST, MOST = 0.05, 1.1
"""Part of the range in which a flow is looked for."""
MOST_NUMBERS = 400
"""Of more numbers than this every pair would be somebody's flow."""


@dataclass(frozen=True, slots=True)
class Coherent:
    """Places that fit together, by role; the flow they say [t/h]; how far it is from load times speed [parts]."""

    places: Mapping[str, int]
    flow: float
    off: float


def coherent(numbers: Sequence[float], loop: Loop) -> list[Coherent]:
    """Sets of numbers that obey the law of the belt, the fullest first, of those the truest.

    Parameters
    ----------
    numbers : sequence of float
        What a device shows, in t/h, kg/m, m/s and mA, in any order; the places of the answer count in it.
    loop : Loop
        Says the range, and the belt speed to look for; without a speed nothing is found.
    """
    speed = loop.gauge.fixed_speed if loop.gauge.speed_source is SpeedSource.FIXED else loop.drive.speed_at_nominal
    if speed is None or len(numbers) > MOST_NUMBERS:
        return []
    span = loop.gauge.range.high - loop.gauge.range.low
    slowest = 0.1 if loop.drive.variable else 1.0 - SPEED_WITHIN
    speeds = [(at, v) for at, v in enumerate(numbers) if slowest * speed <= v <= (1.0 + SPEED_WITHIN) * speed]
    flows = [(at, f) for at, f in enumerate(numbers) if LEAST * span <= f - loop.gauge.range.low <= MOST * span]
    found = []
    for at_flow, flow in flows:
        for at_speed, v in speeds:
            load = flow / (T_H_PER_KG_S * v)
            near = [at for at, q in enumerate(numbers) if abs(q - load) <= SAME * load and at not in (at_flow, at_speed)]
            for at_load in sorted(near, key=lambda at: abs(numbers[at] - load))[:1]:
                places = {"flow": at_flow, "load": at_load, "speed": at_speed}
                current = current_of(flow, loop.gauge.range)
                sent = [
                    at for at, ma in enumerate(numbers) if abs(ma - current) <= CURRENT_WITHIN and at not in places.values()
                ]
                off = abs(numbers[at_load] - load) / load
                found.append(Coherent({**places, "gauge_output": sent[0]} if sent else places, flow, off))
    return sorted(found, key=lambda item: (-len(item.places), item.off))
