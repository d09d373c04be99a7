"""What only the shared database has: the samples that are not sealed yet, who holds which loop, and who is there."""

from __future__ import annotations

import sqlalchemy as sa

SHARED = sa.MetaData()

SAMPLES = sa.Table(
    "samples", SHARED,
    sa.Column("ts", sa.BigInteger, primary_key=True),
    sa.Column("loop", sa.Text, primary_key=True),
    sa.Column("epoch", sa.BigInteger, nullable=False),
    sa.Column("layout", sa.Integer, nullable=False),
    sa.Column("flags", sa.SmallInteger, nullable=False),
    sa.Column("quality", sa.LargeBinary, nullable=False),
    sa.Column("readings", sa.LargeBinary, nullable=False),
    postgresql_partition_by="RANGE (ts)",
)  # fmt: skip
"""One row a second and loop, a partition a UTC day. `readings` are little-endian 64-bit floats and `quality` bytes in the order of
the roles of the `layout`, so that a second of many loops is one statement and no new role locks the table; `epoch` is that
of the lease under which the row was written."""

HOT_LOOPS = sa.Table(
    "hot_loops", SHARED,
    sa.Column("day", sa.Integer, primary_key=True),
    sa.Column("loop", sa.Text, primary_key=True),
    sa.Column("step_s", sa.Integer, nullable=False),
    sa.Column("closed", sa.Boolean, nullable=False, server_default=sa.false()),
)  # fmt: skip
"""The loops of each day that is not sealed; one that is `closed` takes no more rows, so that whoever seals it reads the same."""

SAMPLE_LAYOUTS = sa.Table(
    "sample_layouts", SHARED,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("roles", sa.Text, nullable=False, unique=True),
)  # fmt: skip

LEASES = sa.Table(
    "leases", SHARED,
    sa.Column("loop", sa.Text, primary_key=True),
    sa.Column("owner", sa.Text, nullable=False),
    sa.Column("epoch", sa.BigInteger, nullable=False),
    sa.Column("expires", sa.DateTime(timezone=True), nullable=False),
)  # fmt: skip
"""Who may write for a loop, and until when by the clock of the server; every change of owner is a new epoch."""

MEMBERS = sa.Table(
    "members", SHARED,
    sa.Column("owner", sa.Text, primary_key=True),
    sa.Column("seen", sa.DateTime(timezone=True), nullable=False),
    sa.Column("page", sa.Text, nullable=False),
    sa.Column("site_sha256", sa.Text, nullable=False),
)  # fmt: skip
"""The collectors that share the loops, with the address of their page."""
