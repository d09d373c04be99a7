"""The one metadata that all tables of the state database share, whichever module defines them."""

from __future__ import annotations

import sqlalchemy as sa

METADATA = sa.MetaData()
