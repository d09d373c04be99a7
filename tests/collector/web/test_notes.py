"""What people should know of what they look at stands above every page, and goes when it no longer holds."""

from __future__ import annotations

import pytest

from tests.collector.web import plant
from tests.collector.web.conftest import Serve

NOTE = "The engine still judges the simulated history: 14 of 174 loop-days are judged."


@pytest.mark.parametrize("path", ["/", "/alerts", "/uptime", "/loops/TB-07"])
async def test_a_note_stands_above_every_page_until_it_goes(serve: Serve, path: str) -> None:
    served = serve(plant.healthy())
    served.live.notes["history"] = NOTE
    assert f'<p class="note">{NOTE}</p>' in (await served.get(path)).text
    del served.live.notes["history"]
    assert NOTE not in (await served.get(path)).text
