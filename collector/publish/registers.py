"""A picture as registers of the Modbus table; `collector.publish.interface` is its map."""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence

from collector.publish.interface import CAUSE_AT, HEAD, MAP_VERSION, PER_LOOP, TEXT_AT
from collector.publish.picture import Picture, Quality

_QUALITY = {Quality.GOOD: 0, Quality.UNCERTAIN: 1, Quality.WAITING: 2, Quality.STALE: 2}


def length(loops: int) -> int:
    """Registers of a table of so many loops."""
    return HEAD + PER_LOOP * loops


def table(beat: int, time: float, pictures: Sequence[Picture], *, alive: bool) -> list[int]:
    """The whole table at a time [epoch s]; `alive` False while the service is silent."""
    head = [MAP_VERSION, beat % 65536, int(alive), len(pictures), PER_LOOP, HEAD, *_uint32(time)]
    out = head + [0] * (HEAD - len(head))
    for picture in pictures:
        out += _loop(picture, time)
    return out


def _loop(picture: Picture, time: float) -> list[int]:
    age = 65535 if picture.time is None else min(max(int(time - picture.time), 0), 65535)
    numbers = [
        int(picture.fit), _QUALITY[picture.quality], picture.verdict, picture.status, picture.link, age,
        *_float32(picture.deviation_t_h), *_float32(picture.deviation_span),
        *_uint32(picture.agrees_since or 0.0), *_uint32(picture.time or 0.0),
    ]  # fmt: skip
    numbers += [0] * (TEXT_AT - len(numbers))
    return numbers + _text(picture.loop, CAUSE_AT - TEXT_AT) + _text(picture.cause, PER_LOOP - CAUSE_AT)


def _uint32(value: float) -> tuple[int, int]:
    whole = min(max(int(value), 0), 0xFFFFFFFF)
    return whole >> 16, whole & 0xFFFF


def _float32(value: float | None) -> tuple[int, int]:
    """NaN where there is no value; what float32 does not hold becomes infinite."""
    try:
        packed = struct.pack(">f", math.nan if value is None else value)
    except OverflowError:
        packed = struct.pack(">f", math.copysign(math.inf, value or 0.0))
    high, low = struct.unpack(">HH", packed)
    return high, low


def _text(text: str, registers: int) -> list[int]:
    """ASCII, cut or filled up with 0."""
    raw = text.encode("ascii", "replace")[: 2 * registers].ljust(2 * registers, b"\0")
    return list(struct.unpack(f">{registers}H", raw))
