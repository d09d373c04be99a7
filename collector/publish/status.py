"""Status codes of OPC 10000-4, table of StatusCodes, that follow the quality of a picture."""

from __future__ import annotations

from typing import Any

import asyncua.ua

from collector.publish.picture import Picture, Quality

_UA: Any = asyncua.ua
_CODES = _UA.StatusCodes

GOOD = int(_CODES.Good)
UNCERTAIN = int(_CODES.Uncertain)
BY_QUALITY: dict[Quality, int] = {
    Quality.GOOD: GOOD,
    Quality.UNCERTAIN: UNCERTAIN,
    Quality.WAITING: int(_CODES.BadWaitingForInitialData),
    Quality.STALE: int(_CODES.BadNoCommunication),
}
NO_NUMBER = int(_CODES.BadNoData)
"""The verdict is known, but the data carry no number."""
NOT_FIT = int(_CODES.Bad)
"""The flow is not fit for control."""

HEALTHY, NO_DATA = 255, 1
"""ServiceLevel (OPC 10000-4, 6.6.2.4): 200 to 255 healthy, 1 no data."""


def of_value(picture: Picture, value: object) -> int:
    """Status of a value that a verdict carries."""
    known = BY_QUALITY[picture.quality]
    return NO_NUMBER if value is None and not picture.quality.bad else known


def of_fit(picture: Picture) -> int:
    """Status of "fit for control": good only where it is true."""
    if picture.fit:
        return GOOD
    return BY_QUALITY[picture.quality] if picture.quality.bad else NOT_FIT
