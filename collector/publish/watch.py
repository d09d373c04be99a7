"""The stale watch of the child: what it was told last, and whether the service still speaks."""

from __future__ import annotations

from collections.abc import Sequence

from collector.publish.picture import Picture, Quality, silenced

SILENT_AFTER_S = 5.0
"""The service speaks once a second; after so long without a word nothing is believed any more [s]."""
SILENT = "the verifying service is silent"


class Watch:
    """Holds the last pictures; time is given, so it may be any clock that never steps back."""

    def __init__(self, pictures: Sequence[Picture], now: float) -> None:
        self._pictures = list(pictures)
        self._heard = now
        self.beat = 0
        self.time = 0.0
        """Time of the service when it last spoke [epoch s]."""

    def hear(self, beat: int, time: float, pictures: Sequence[Picture], now: float) -> None:
        """Take what the service says."""
        self.beat, self.time, self._pictures, self._heard = beat, time, list(pictures), now

    def alive(self, now: float) -> bool:
        """Whether the service has spoken lately."""
        return self.beat > 0 and now - self._heard <= SILENT_AFTER_S

    def pictures(self, now: float) -> list[Picture]:
        """What may be shown now: the last word, or silence."""
        if self.alive(now):
            return self._pictures
        return [picture if picture.quality is Quality.WAITING else silenced(picture, SILENT) for picture in self._pictures]
