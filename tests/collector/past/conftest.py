"""The history in a temporary folder, as the tests of the history open it."""

from __future__ import annotations

from tests.collector.history.conftest import opened

__all__ = ["opened"]
