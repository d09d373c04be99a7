"""The tables of who may do what, and of what was done: accounts, sessions, API tokens, audit log."""

from __future__ import annotations

import sqlalchemy as sa

from collector.history.metadata import METADATA

ACCOUNTS = sa.Table(
    "accounts", METADATA,
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("role", sa.Text, nullable=False),
    sa.Column("password", sa.Text, nullable=False),
    sa.Column("made", sa.Float, nullable=False),
    sa.Column("changed", sa.Float, nullable=False),
    sa.Column("disabled", sa.Boolean, nullable=False),
)  # fmt: skip
"""People. `password` is the argon2 hash; an account is disabled, never deleted, for the log names it."""

SESSIONS = sa.Table(
    "sessions", METADATA,
    sa.Column("sha256", sa.Text, primary_key=True),
    sa.Column("account", sa.Text, nullable=False, index=True),
    sa.Column("address", sa.Text, nullable=False),
    sa.Column("made", sa.Float, nullable=False),
    sa.Column("seen", sa.Float, nullable=False),
)  # fmt: skip
"""Who is signed in; of the id only its hash."""

API_TOKENS = sa.Table(
    "api_tokens", METADATA,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("sha256", sa.Text, nullable=False, unique=True),
    sa.Column("scopes", sa.Text, nullable=False),
    sa.Column("made", sa.Float, nullable=False),
    sa.Column("made_by", sa.Text, nullable=False),
    sa.Column("expires", sa.Float, nullable=False),
    sa.Column("revoked", sa.Float),
)  # fmt: skip
"""What programs show to REST; of the token only its hash. `scopes` are words with a space between."""

AUDIT = sa.Table(
    "audit", METADATA,
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("time", sa.Float, nullable=False, index=True),
    sa.Column("text", sa.Text, nullable=False),
    sa.Column("before", sa.Text, nullable=False),
    sa.Column("sha256", sa.Text, nullable=False, unique=True),
)  # fmt: skip
"""What was done, each entry with the hash of the one before: never changed, never deleted."""

TABLES = (ACCOUNTS, SESSIONS, API_TOKENS, AUDIT)
