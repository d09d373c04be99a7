"""Which collector may write for which loop: rows with an owner, an epoch and an end by the clock of the server.

Every write for a loop takes the row of its lease FOR SHARE in its own transaction and goes on only where owner and epoch are
still its own and the end is ahead: while it holds the row nobody can take the lease over, so no row is ever written under an
epoch that another has superseded.
"""

from __future__ import annotations

import math
import os
import secrets
import socket
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql

from collector.clock import Clock
from collector.history.postgres_state import LONGEST_S, PostgresState
from collector.history.shared_tables import LEASES, MEMBERS
from collector.history.statements import SHORT_S, insert_or_keep, short_session
from config.errors import StoreError

TTL_S = 5.0
"""How long a lease lasts without being renewed [s]."""
RENEW_S = 1.0
SITE = "@site"
"""The lease on what one collector does for all: reminders, delivery, reports, retention. No loop can have this name."""
SOLE_TTL_S = 60.0
"""The lease of a command that writes beside no service; every write renews it [s]."""
NOW = sa.func.clock_timestamp()
NEVER = datetime(1970, 1, 1, tzinfo=UTC)
FORGOTTEN_AFTER_S = 86400.0
"""A collector that was not seen for so long is struck from the list [s]."""


def owner_name() -> str:
    """A name that no other process has: host, process, and chance, for containers share both."""
    return f"{socket.gethostname()}/{os.getpid()}/{secrets.token_hex(3)}"


class Fence(Protocol):
    """Proof, inside a transaction, that this process may write for loops.

    `limit_s` is how long a transaction may take [s].
    """

    limit_s: float

    def share(self, connection: sa.Connection, loops: Collection[str]) -> dict[str, int]:
        """Epoch by loop for those that may be written; the others belong to another collector.

        Raises
        ------
        StoreError
            A lease has run out and nobody has taken it: it may be had again.
        """
        ...

    def leave(self) -> None:
        """Give all leases back."""
        ...


@dataclass(frozen=True, slots=True)
class Member:
    """A collector that is there: its name, the address of its page, the site file it runs."""

    owner: str
    page: str
    site_sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """What a turn brought: `held` is epoch by loop (and `SITE`), `surplus` what is to be given back so that others have their
    share, `owners` who holds each loop, '' where nobody does."""

    held: dict[str, int]
    surplus: frozenset[str]
    members: tuple[Member, ...]
    owners: dict[str, str]


class Leases:
    """The leases of one collector. What it writes is short, for a lease cannot be renewed meanwhile.

    Parameters
    ----------
    units : sequence of sets of loops
        Loops that stay together, since they hang on a device that takes one connection.
    page, site_sha256 : str
        Told to the other collectors.
    """

    def __init__(
        self, state: PostgresState, units: Sequence[Collection[str]], clock: Clock, *, page: str = "", site_sha256: str = "",
        owner: str = "", ttl_s: float = TTL_S,
    ) -> None:  # fmt: skip
        self.limit_s = SHORT_S
        self.owner = owner or owner_name()
        self.page = page
        self._state = state
        self._units = [frozenset(unit) for unit in units]
        self._clock = clock
        self._sha256 = site_sha256
        self._ttl_s = ttl_s
        self._epochs: dict[str, int] = {}
        self._proven = -math.inf
        self._steady_since: float | None = None
        state.watched = True
        rows = [{"loop": loop, "owner": "", "epoch": 0, "expires": NEVER} for loop in (SITE, *self._loops())]
        with state.transaction(watching=True) as connection:
            insert_or_keep(connection, LEASES, rows)
            connection.execute(MEMBERS.delete().where(MEMBERS.c.seen < NOW - _seconds(FORGOTTEN_AFTER_S)))

    @property
    def held(self) -> frozenset[str]:
        """The loops that are held, and `SITE`."""
        return frozenset(self._epochs)

    @property
    def sure(self) -> bool:
        """Whether nobody else can hold what is held here: the last renewal was asked for less than a lease ago."""
        return self._clock.monotonic() - self._proven < self._ttl_s

    def turn(self) -> Turn:
        """Renew what is held, take what is free and due to us; StoreError where the server cannot be reached."""
        asked = self._clock.monotonic()
        try:
            with self._state.transaction(SHORT_S, watching=True) as connection:
                short_session(connection)
                made = self._turn(connection, asked)
        except StoreError:
            self._steady_since = math.inf
            raise
        if self._steady_since == math.inf:
            self._steady_since = asked
        self._proven = asked
        self._epochs = dict(made.held)
        return made

    def _turn(self, connection: sa.Connection, asked: float) -> Turn:
        ends = NOW + _seconds(self._ttl_s)
        told = {"page": self.page, "site_sha256": self._sha256, "seen": NOW}
        member = postgresql.insert(MEMBERS).values(owner=self.owner, **told)
        connection.execute(member.on_conflict_do_update(index_elements=["owner"], set_=told))
        renewed = connection.execute(
            LEASES.update().where(LEASES.c.owner == self.owner).values(expires=ends).returning(LEASES.c.loop, LEASES.c.epoch)
        )
        held = {row.loop: int(row.epoch) for row in renewed}
        members = self._members(connection)
        share = -(-len(self._units) // max(1, len(members)))
        whole = [unit for unit in self._units if unit <= held.keys()]
        wanted = self._free(connection, asked, held, share - len(whole))
        gained: dict[str, int] = {}
        if wanted:
            taken = connection.execute(
                LEASES.update().where(LEASES.c.loop.in_(wanted))
                .values(owner=self.owner, epoch=LEASES.c.epoch + 1, expires=ends).returning(LEASES.c.loop, LEASES.c.epoch)
            )  # fmt: skip
            gained = {row.loop: int(row.epoch) for row in taken}
        surplus = frozenset().union(*sorted(whole, key=sorted)[share:]) if len(whole) > share else frozenset()
        owners = {row.loop: row.owner for row in connection.execute(sa.select(LEASES.c.loop, LEASES.c.owner))}
        return Turn(held=held | gained, surplus=frozenset(surplus), members=members, owners=owners)

    def _members(self, connection: sa.Connection) -> tuple[Member, ...]:
        alive = MEMBERS.c.seen > NOW - _seconds(self._ttl_s)
        found = connection.execute(sa.select(MEMBERS).where(alive).order_by(MEMBERS.c.owner))
        return tuple(Member(row.owner, row.page, row.site_sha256) for row in found)

    def _free(self, connection: sa.Connection, asked: float, held: dict[str, int], units: int) -> list[str]:
        """Loops to take: whole units, as many as are due to us, and the site's lease. What is locked is left to who locked it.

        A lease that ran out while the server was away from everybody is left to its owner for as long as a lease lasts.
        """
        steady = self._steady_since is None or asked - self._steady_since >= self._ttl_s
        up = NOW - sa.func.pg_postmaster_start_time() > _seconds(self._ttl_s)
        run_out = sa.and_(LEASES.c.expires < NOW, up) if steady else sa.false()
        free = sa.select(LEASES.c.loop).where(sa.or_(LEASES.c.owner == "", run_out)).order_by(LEASES.c.loop)
        found = {row.loop for row in connection.execute(free.with_for_update(skip_locked=True))}
        taken = [SITE] if SITE in found else []
        due = [unit for unit in self._units if unit & found and unit <= found | held.keys()]
        for unit in due[: max(0, units)]:
            taken += sorted(unit & found)
        return taken

    def share(self, connection: sa.Connection, loops: Collection[str]) -> dict[str, int]:
        """See `Fence.share`."""
        short_session(connection)
        mine = {loop: self._epochs[loop] for loop in loops if loop in self._epochs}
        wanted = (
            sa.select(LEASES.c.loop, LEASES.c.owner, LEASES.c.epoch, (LEASES.c.expires > NOW).label("valid"))
            .where(LEASES.c.loop.in_(sorted(mine)))
            .order_by(LEASES.c.loop)
            .with_for_update(read=True)
        )
        found = {row.loop: row for row in connection.execute(wanted)}
        ours = {loop: epoch for loop, epoch in mine.items() if (found[loop].owner, found[loop].epoch) == (self.owner, epoch)}
        if not all(found[loop].valid for loop in ours):
            raise StoreError("the leases have run out and are being renewed", where=self._state.where)
        return ours

    def prove(self, connection: sa.Connection) -> None:
        """Raise StoreError where anything that this collector takes for its own is not: for writes over several loops."""
        held = self.held
        if self.share(connection, held).keys() != held:
            raise StoreError("another collector has taken loops over", where=self._state.where)

    def prove_site(self, connection: sa.Connection) -> None:
        """Raise StoreError where this collector does not hold the site's lease."""
        if not self.share(connection, (SITE,)):
            raise StoreError("another collector does this for the site", where=self._state.where)

    def give_back(self, loops: Iterable[str]) -> None:
        """Let others take loops at once; nothing may be written for them afterwards."""
        given = {loop: self._epochs[loop] for loop in loops if loop in self._epochs}
        self._epochs = {loop: epoch for loop, epoch in self._epochs.items() if loop not in given}
        with self._state.transaction(SHORT_S, watching=True) as connection:
            short_session(connection)
            _free_rows(connection, self.owner, given)

    def leave(self) -> None:
        """Give everything back and be no member any more; a server that is away finds out by itself."""
        try:
            self.give_back(self.held)
            with self._state.transaction(SHORT_S, watching=True) as connection:
                connection.execute(MEMBERS.delete().where(MEMBERS.c.owner == self.owner))
        except StoreError:
            return

    def _loops(self) -> list[str]:
        return sorted(set().union(*self._units))


class SoleUse:
    """The fence of a command that writes while no service does: takes each lease at the first write, keeps it by writing."""

    def __init__(self, state: PostgresState) -> None:
        self.limit_s = LONGEST_S
        self.owner = owner_name()
        self._state = state
        self._epochs: dict[str, int] = {}

    def share(self, connection: sa.Connection, loops: Collection[str]) -> dict[str, int]:
        """See `Fence.share`; StoreError where a service holds one of the loops."""
        insert_or_keep(
            connection, LEASES, [{"loop": loop, "owner": "", "epoch": 0, "expires": NEVER} for loop in sorted(loops)]
        )
        ours = LEASES.c.owner == self.owner
        ends = NOW + _seconds(SOLE_TTL_S)
        taken = connection.execute(
            LEASES.update()
            .where(LEASES.c.loop.in_(sorted(loops)), sa.or_(ours, LEASES.c.owner == "", LEASES.c.expires < NOW))
            .values(owner=self.owner, epoch=LEASES.c.epoch + sa.case((ours, 0), else_=1), expires=ends)
            .returning(LEASES.c.loop, LEASES.c.epoch)
        )
        found = {row.loop: int(row.epoch) for row in taken}
        missing = sorted(set(loops) - found.keys())
        if missing:
            by = connection.execute(sa.select(LEASES.c.owner).where(LEASES.c.loop == missing[0])).scalar_one()
            raise StoreError(
                f"another Tallywire service ({by}) writes for {missing[0]}", where=self._state.where, fix="stop it first"
            )
        self._epochs |= found
        return found

    def leave(self) -> None:
        """Give all leases back."""
        try:
            with self._state.transaction(SHORT_S) as connection:
                _free_rows(connection, self.owner, self._epochs)
        except StoreError:
            return


def _free_rows(connection: sa.Connection, owner: str, loops: dict[str, int]) -> None:
    for loop, epoch in sorted(loops.items()):
        row = sa.and_(LEASES.c.loop == loop, LEASES.c.owner == owner, LEASES.c.epoch == epoch)
        connection.execute(LEASES.update().where(row).values(owner="", expires=NOW))


def _seconds(seconds: float) -> sa.ColumnElement[object]:
    return sa.func.make_interval(0, 0, 0, 0, 0, 0, seconds)
