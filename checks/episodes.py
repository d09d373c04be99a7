"""Episodes: one for each loop and first deviating link, from onset to return, however often its cause is refined."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from checks.diagnose import explained_by
from checks.evaluation import Evaluation
from checks.finding import UNKNOWN, Finding
from checks.plain import finding_dict, finding_from
from checks.result import CheckResult, Link, Verdict
from config.limits import AlertLimit
from config.model import Site

REFINE_AFTER_S = 300
"""How long another cause must lead before it takes the name of an episode [s]."""
NAME_AFTER_S = 60
"""How long a first name must stand before `unknown` gives way to it [s]."""
REFINE_ODDS = 3.0
CLOSE_S = 300
"""An earlier begin is believed where its interval is not wider than twice the one before and this [s]."""
GONE = 0.6
"""A deviation is gone once it is below this part of the limit that it was over: about the limit it would come and go."""
STALE_S = 600
"""Evaluations further apart than this do not add to any delay [s]."""

ALWAYS: frozenset[Link] = frozenset({Link.COUNTS, Link.DRIVE, Link.COMMUNICATION, Link.SETUP})
"""Links whose findings do not depend on the process: they are raised whatever the belt does."""
EVENTS = frozenset({"undocumented-change", "factor-twice"})
"""Causes that are known by several deviations that began at once."""
PART_S = 120
"""How far the begin of such a deviation may lie from that of the event [s]."""
SUPPRESSES_ALL = ("maintenance", "calibrating")


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """One stretch in which a link of a loop was wrong. `finding` is the latest, with the cause the episode is known by.

    `raised_s` is when it had stood for the on-delay, `ended_s` when the condition was gone (None while it stands).
    """

    id: str
    loop: str
    link: Link
    finding: Finding
    raised_s: int
    ended_s: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EpisodeChange:
    """Something that people may hear of: an episode was raised, its cause refined, or it returned."""

    kind: Literal["raised", "refined", "returned"]
    episode: Episode
    time_s: int


@dataclass(slots=True, kw_only=True)
class _Track:
    """What is remembered of one link."""

    first_s: int
    last_s: int
    finding: Finding
    episode: Episode | None = None
    leader: str = ""
    leader_since: int = 0
    quiet_s: int = 0
    """From when the time that it has been gone counts."""


@dataclass(slots=True)
class EpisodeTracker:
    """Turns the findings of one loop into episodes, evaluation by evaluation. No clock: time comes with the evaluations.

    A finding is raised when it has stood for `limits.alerts.on_delay` and returns when it has been gone for `off_delay`.
    While `Evaluation.suppressed` names a reason, findings that depend on the process neither raise nor return.
    """

    site: Site
    loop: str
    _tracks: dict[Link, _Track] = field(default_factory=dict)
    _ended: list[Episode] = field(default_factory=list)
    _last_s: int | None = None

    @property
    def limits(self) -> AlertLimit:
        """The delays in force."""
        return self.site.loops[self.loop].limits.alerts

    @property
    def open(self) -> tuple[Episode, ...]:
        """Episodes that stand, oldest first."""
        standing = [track.episode for track in self._tracks.values() if track.episode is not None]
        return tuple(sorted(standing, key=lambda episode: episode.raised_s))

    def findings(self) -> tuple[Finding, ...]:
        """The findings of all episodes so far, those that ended with their end, the largest consequence first."""
        every = [*(episode.finding for episode in self._ended), *(episode.finding for episode in self.open)]
        return tuple(sorted(every, key=lambda finding: (-abs(finding.tonnes or 0.0), finding.begin)))

    def update(self, evaluation: Evaluation) -> list[EpisodeChange]:
        """Take the next evaluation; returns what changed. One that is not due changes nothing."""
        if not evaluation.due:
            return []
        now = evaluation.time_s
        gap = self._last_s is not None and now - self._last_s > STALE_S
        self._last_s = now
        seen: dict[Link, Finding] = {}
        for finding in evaluation.findings:
            event = self._event_behind(finding)
            if event is None:
                seen.setdefault(finding.link, finding)
            elif event.link not in seen:
                seen[event.link] = event.finding
        out: list[EpisodeChange] = []
        for link, finding in seen.items():
            if _held(evaluation.suppressed, link):
                self._wait(link, now)
            else:
                out += self._stands(link, finding, now, gap)
        for link in [link for link in self._tracks if link not in seen]:
            if _held(evaluation.suppressed, link):
                self._wait(link, now)
            elif self._unseen(link, evaluation):
                self._tracks[link].quiet_s = now
            else:
                out += self._gone(link, now, gap)
        return out

    def _event_behind(self, finding: Finding) -> Episode | None:
        """The standing event that a finding is a part of: it goes on for as long as one of the parts that made it known is seen."""
        low, high = finding.begin_interval
        for episode in self.open:
            known = episode.finding
            if known.cause not in EVENTS or finding.cause in EVENTS or finding.link not in explained_by(known):
                continue
            begin, end = known.begin_interval
            if finding.cause == UNKNOWN or (low <= end + PART_S and high >= begin - PART_S):
                return episode
        return None

    def _unseen(self, link: Link, evaluation: Evaluation) -> bool:
        """Whether the check behind an episode did not see it gone: an empty belt shows no slope, and none is gone by that."""
        episode = self._tracks[link].episode
        if episode is None or not episode.finding.check:
            return False
        if any(link in explained_by(finding) for finding in evaluation.findings):
            return False  # told under another name
        asked = [item for item in evaluation.results if (item.check, item.link) == (episode.finding.check, link)]
        return bool(asked) and not any(_agrees_now(item) for item in asked)

    def _wait(self, link: Link, now: int) -> None:
        """Held back: what is raised stays so, every delay begins anew afterwards."""
        track = self._tracks.get(link)
        if track is None:
            return
        if track.episode is None:
            del self._tracks[link]
        else:
            track.quiet_s = track.leader_since = now

    def _stands(self, link: Link, finding: Finding, now: int, gap: bool) -> list[EpisodeChange]:
        track = self._tracks.get(link)
        if track is None or (gap and track.episode is None):
            self._tracks[link] = _Track(
                first_s=now, last_s=now, quiet_s=now, finding=finding, leader=finding.cause, leader_since=now
            )
            return []
        track.last_s = track.quiet_s = now
        if gap or finding.cause != track.leader or (_weak(finding) and not _unnamed(track)):
            track.leader, track.leader_since = finding.cause, now
        if track.episode is None:
            track.finding = finding
            if now - track.first_s < self.limits.on_delay:
                return []
            name = f"{self.loop}-{link.value}-{track.first_s}"
            track.episode = Episode(id=name, loop=self.loop, link=link, finding=finding, raised_s=now)
            return [EpisodeChange(kind="raised", episode=track.episode, time_s=now)]
        return self._refined(track, finding, now)

    def _refined(self, track: _Track, finding: Finding, now: int) -> list[EpisodeChange]:
        """The cause changes with hysteresis; numbers follow at once, the begin as `_since` says.

        A fault soon takes the name from a doubt at the same link, and has a begin of its own where the doubt is older.
        """
        assert track.episode is not None
        known = track.episode.finding
        begin, interval = _since(known, finding)
        stood = now - track.leader_since
        first_name = known.cause == UNKNOWN and finding.cause != UNKNOWN and stood >= NAME_AFTER_S
        other = finding.cause not in (known.cause, UNKNOWN) and stood >= REFINE_AFTER_S and not _weak(finding)
        worse = known.verdict is Verdict.SUSPECT and finding.verdict is Verdict.FAULT and finding.cause != known.cause
        worse &= stood >= NAME_AFTER_S
        if worse and known.cause != UNKNOWN and finding.begin_interval[0] > known.begin_interval[1]:
            begin, interval = finding.begin, finding.begin_interval  # what was known before was something else
        elif other and known.cause != UNKNOWN and _reaches_back(finding, known):
            interval = _both(known, finding)  # the other cause may have been there before it could be seen
        if finding.cause == known.cause or first_name or other or worse:
            shown = replace(finding, begin=begin, begin_interval=interval)
        else:
            shown = replace(
                known, begin=begin, begin_interval=interval, tonnes=finding.tonnes, tonnes_uncertainty=finding.tonnes_uncertainty,
                rate_error_t_h=finding.rate_error_t_h, by_shift=finding.by_shift,
            )  # fmt: skip
        track.episode = replace(track.episode, finding=shown)
        if first_name or other or worse:
            return [EpisodeChange(kind="refined", episode=track.episode, time_s=now)]
        return []

    def _gone(self, link: Link, now: int, gap: bool) -> list[EpisodeChange]:
        track = self._tracks[link]
        if track.episode is None:
            del self._tracks[link]
            return []
        if gap:
            track.quiet_s = now
        if now - track.quiet_s < self.limits.off_delay:
            return []
        ended = replace(track.episode, ended_s=track.last_s, finding=replace(track.episode.finding, end=track.last_s))
        del self._tracks[link]
        self._ended.append(ended)
        return [EpisodeChange(kind="returned", episode=ended, time_s=now)]

    def state(self) -> dict[str, Any]:
        """What a restart needs, as plain values; episodes that ended are not part of it."""
        return {
            "last_s": self._last_s,
            "tracks": [
                {
                    "link": link.value, "first_s": track.first_s, "last_s": track.last_s, "leader": track.leader,
                    "leader_since": track.leader_since, "quiet_s": track.quiet_s, "finding": finding_dict(track.finding),
                    "episode": None if track.episode is None else {
                        "id": track.episode.id, "raised_s": track.episode.raised_s,
                        "finding": finding_dict(track.episode.finding),
                    },
                }
                for link, track in self._tracks.items()
            ],
        }  # fmt: skip

    def restore(self, state: Mapping[str, Any]) -> None:
        """Go on from what `state` gave."""
        self._last_s = state["last_s"]
        self._tracks = {}
        for kept in state["tracks"]:
            link = Link(kept["link"])
            episode = None
            if kept["episode"] is not None:
                stored = kept["episode"]
                episode = Episode(
                    id=stored["id"],
                    loop=self.loop,
                    link=link,
                    finding=finding_from(stored["finding"]),
                    raised_s=stored["raised_s"],
                )
            self._tracks[link] = _Track(
                first_s=kept["first_s"], last_s=kept["last_s"], finding=finding_from(kept["finding"]), episode=episode,
                leader=kept["leader"], leader_since=kept["leader_since"], quiet_s=kept["quiet_s"],
            )  # fmt: skip


def _since(known: Finding, finding: Finding) -> tuple[int, tuple[int, int]]:
    """The begin of an episode with its interval: the one that is known more closely.

    It may move earlier; later only inside the interval that it was known to lie in, by one that is narrower: what is seen
    later of a fault that goes on, or of its end in the horizon, is not its begin.
    """
    old, new = known.begin_interval, finding.begin_interval
    narrower = new[1] - new[0] < old[1] - old[0]
    inside = old[0] <= new[0] and new[1] <= old[1]
    closely = new[1] - new[0] <= 2 * (old[1] - old[0]) + CLOSE_S
    if (narrower and inside) or (finding.begin < known.begin and closely):
        return finding.begin, new
    return known.begin, old


def _reaches_back(finding: Finding, known: Finding) -> bool:
    """Whether a cause may have begun before the interval in which another one saw it begin, and through to it."""
    low, high = finding.begin_interval
    return low < known.begin_interval[0] <= high


def _both(known: Finding, finding: Finding) -> tuple[int, int]:
    """The interval of a begin that holds what two causes say of it."""
    (low, high), (other_low, other_high) = known.begin_interval, finding.begin_interval
    return min(low, other_low), max(high, other_high)


def _weak(finding: Finding) -> bool:
    """Whether the odds are too low to take the name from another cause."""
    odds = finding.odds if finding.weighed_odds is None else finding.weighed_odds
    return odds is not None and odds < REFINE_ODDS


def _unnamed(track: _Track) -> bool:
    return track.episode is None or track.episode.finding.cause == UNKNOWN


def _agrees_now(result: CheckResult) -> bool:
    """Whether a check agrees by what it saw of late; a line that is sound over hours may have had no row in the last minute."""
    if result.verdict in (Verdict.NOT_EVALUATED, Verdict.FAULT):
        return False
    rows, deviation = result.facts.get("recent_rows"), result.facts.get("deviation_span", 0.0)
    limit = result.facts.get("limit_span")
    return rows is None or (rows > 0.0 and (limit is None or abs(deviation) <= GONE * limit))


def _held(suppressed: str, link: Link) -> bool:
    """Whether a finding of a link is held back while there is this reason."""
    if not suppressed:
        return False
    return suppressed in SUPPRESSES_ALL or link not in ALWAYS
