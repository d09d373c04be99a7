"""The event ledger and the site files that were in force, in the state database."""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sa

from collector.history.state import StateDb
from collector.history.store import Event
from collector.history.tables import CONFIG_VERSIONS, EVENTS


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfigVersion:
    """A site file as it was read: in force from `since` [epoch s] until the next one."""

    since: float
    sha256: str
    text: str


class Ledger:
    """Events and versions of the site file. Every call is one transaction and raises StoreError where the disk refuses it."""

    def __init__(self, state: StateDb) -> None:
        self._state = state

    def add(self, event: Event) -> None:
        """Write one event."""
        with self._state.transaction() as connection:
            connection.execute(
                EVENTS.insert().values(
                    time=event.time, loop=event.loop, kind=event.kind, text=event.text, old=event.old, new=event.new
                )
            )

    def between(self, begin: float, end: float, loop: str | None = None) -> list[Event]:
        """Events of a time, oldest first; `loop` None gives all."""
        wanted = sa.select(EVENTS).where(EVENTS.c.time >= begin, EVENTS.c.time < end).order_by(EVENTS.c.time, EVENTS.c.id)
        if loop is not None:
            wanted = wanted.where(EVENTS.c.loop == loop)
        with self._state.transaction() as connection:
            return [
                Event(time=row.time, loop=row.loop, kind=row.kind, text=row.text, old=row.old, new=row.new)
                for row in connection.execute(wanted)
            ]

    def note_config(self, sha256: str, text: str, *, now: float) -> bool:
        """Keep a site file that is in force from now on; False where it was in force before."""
        with self._state.transaction() as connection:
            newest = sa.select(CONFIG_VERSIONS.c.sha256).order_by(CONFIG_VERSIONS.c.id.desc()).limit(1)
            if connection.execute(newest).scalar_one_or_none() == sha256:
                return False
            connection.execute(CONFIG_VERSIONS.insert().values(since=now, sha256=sha256, text=text))
            return True

    def config_versions(self) -> list[ConfigVersion]:
        """Every site file that was in force, in the order in which they came."""
        with self._state.transaction() as connection:
            rows = connection.execute(sa.select(CONFIG_VERSIONS).order_by(CONFIG_VERSIONS.c.id)).all()
        return [ConfigVersion(since=row.since, sha256=row.sha256, text=row.text) for row in rows]

    def config_at(self, time: float) -> ConfigVersion | None:
        """The site file that was in force at a time, None before the first."""
        return max((one for one in self.config_versions() if one.since <= time), key=lambda one: one.since, default=None)
