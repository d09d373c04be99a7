"""One stored loop-day through the engine, as the service would have judged it after a restart at its midnight."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from checks.empties import EmptyStretch, stretch_dict, stretch_from
from checks.engine import LoopEngine
from checks.episodes import Episode, EpisodeChange, EpisodeTracker
from checks.plain import finding_dict, finding_from
from checks.result import Link
from collector.history.layout import DAY_S
from collector.history.store import Store
from config.model import Site

WARM_UP_S = 6 * 3600
"""How far before its midnight the engine looks back, unjudged [s]; own choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedDay:
    """What the engine told of a loop-day: changes of episodes in order of time, and stretches of empty running belt."""

    loop: str
    day: int
    changes: tuple[EpisodeChange, ...]
    empties: tuple[EmptyStretch, ...]


def judge_day(store: Store, site: Site, loop: str, day: int) -> JudgedDay:
    """Judge a stored loop-day; nothing where nothing is stored. What stands at its end has not returned."""
    begin, end = day * DAY_S, (day + 1) * DAY_S
    engine, tracker = LoopEngine(site, loop, rollups=False), EpisodeTracker(site, loop)
    for samples in store.scan(loop, begin - WARM_UP_S, begin):
        engine.push(samples, evaluate=False)
    changes: list[EpisodeChange] = []
    for samples in store.scan(loop, begin, end):
        for evaluation in engine.push(samples):
            changes += tracker.update(evaluation)
    stretches = tuple(entry for entry in engine.empties.take() if entry.start_s >= begin)
    return JudgedDay(loop=loop, day=day, changes=tuple(changes), empties=stretches)


def plain(judged: JudgedDay) -> dict[str, Any]:
    """As values for JSON."""
    return {
        "loop": judged.loop, "day": judged.day, "changes": list(_plain_changes(judged.changes)),
        "empties": [stretch_dict(entry) for entry in judged.empties],
    }  # fmt: skip


def judged_from(raw: Mapping[str, Any]) -> JudgedDay:
    """From what `plain` gave."""
    return JudgedDay(
        loop=raw["loop"], day=raw["day"], changes=tuple(_change_from(raw["loop"], one) for one in raw["changes"]),
        empties=tuple(stretch_from(one) for one in raw["empties"]),
    )  # fmt: skip


def _plain_changes(changes: Sequence[EpisodeChange]) -> Iterator[dict[str, Any]]:
    for change in changes:
        episode = change.episode
        yield {
            "kind": change.kind, "time_s": change.time_s, "id": episode.id, "link": episode.link.value,
            "raised_s": episode.raised_s, "ended_s": episode.ended_s, "finding": finding_dict(episode.finding),
        }  # fmt: skip


def _change_from(loop: str, raw: Mapping[str, Any]) -> EpisodeChange:
    episode = Episode(
        id=raw["id"], loop=loop, link=Link(raw["link"]), finding=finding_from(raw["finding"]), raised_s=raw["raised_s"],
        ended_s=raw["ended_s"],
    )  # fmt: skip
    return EpisodeChange(kind=raw["kind"], episode=episode, time_s=raw["time_s"])
