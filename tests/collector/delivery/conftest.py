"""A receiver for each test."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.collector.alerts.conftest import keep
from tests.collector.delivery.receiver import Receiver

__all__ = ["keep", "receiver"]


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    """A counting receiver on a free port."""
    with Receiver() as served:
        yield served
