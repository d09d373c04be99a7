"""The Modbus register table: its map, and a picture as registers.

Holding and input registers show the same (functions 3 and 4), addresses count from 0 as on the wire, values of two registers
have the high word first (ABCD). The map is version 1; a new version keeps what stands here and adds behind it.

======== ========= ================================================================================================
register type      meaning
======== ========= ================================================================================================
0        uint16    version of this map, 1
1        uint16    heartbeat, one more each second, 0 after 65535; it stands still while the service is silent
2        uint16    1 while the service speaks, 0 when it has been silent for longer than 5 s
3        uint16    number of loops
4        uint16    registers of a loop, 64
5        uint16    first register of the first loop, 16
6-7      uint32    time of the service [s since 1970 UTC]
8-15               0, for later versions
======== ========= ================================================================================================

Loop n, in the order of the site file, n from 0, begins at 16 + 64 n:

======== ========= ================================================================================================
offset   type      meaning
======== ========= ================================================================================================
0        uint16    fit for control: 1 only where nothing is in doubt. Never wire it into a trip
1        uint16    quality: 0 good, 1 uncertain, 2 bad; with 2 nothing else in the loop means anything
2        uint16    verdict: 0 not evaluated, 1 agrees, 2 doubtful, 3 differs
3        uint16    NE 107: 0 none, 1 good, 2 maintenance required, 3 out of specification, 4 function check, 5 failure
4        uint16    link that deviates: 0 none, 1 counts, 2 load, 3 drive, 4 gauge output, 5 current, 6 input card,
                   7 scaling block, 8 totals, 9 communication, 10 setup
5        uint16    age of the evaluation [s], 65535 where there is none or it is older
6-7      float32   deviation of that link, else of the scaling block [t/h], NaN where the data say nothing
8-9      float32   the same [% of the span of the PLC]
10-11    uint32    agrees since [s since 1970 UTC], 0 where it does not agree
12-13    uint32    end of what was evaluated [s since 1970 UTC], 0 where nothing was
14-15              0, for later versions
16-35    text      id of the loop, two characters a register, filled up with 0
36-63    text      id of the cause in the catalogue, '' where none is known
======== ========= ================================================================================================
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence

from collector.publish.picture import Picture, Quality

MAP_VERSION = 1
HEAD = 16
PER_LOOP = 64
TEXT_AT, CAUSE_AT = 16, 36
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
