from __future__ import annotations

import gzip
from dataclasses import replace

from checks.result import Verdict
from collector.live import LiveState
from tests.collector.web import plant
from tests.collector.web.conftest import Serve

LOOPS = 500
MOST_BYTES = 150_000


def fleet() -> LiveState:
    """A site of many loops, one in twenty of them wrong."""
    state = plant.live()
    loop = state.site.loops["TB-07"]
    loops = {f"TB-{number:03d}": loop for number in range(LOOPS)}
    state.site = state.site.model_copy(update={"loops": loops})
    for number, name in enumerate(loops):
        verdict = Verdict.FAULT if number % 20 == 0 else Verdict.OK
        state.take_evaluation(replace(plant.evaluation("TB-07", verdict, int(plant.NOW) - 4), loop=name))
    return state


async def test_site_page_of_five_hundred_loops_is_small_on_the_wire(serve: Serve) -> None:
    served = serve(fleet())
    async with served.client(**{"Accept-Encoding": "gzip"}) as client, client.stream("GET", "/") as answer:
        assert answer.headers["content-encoding"] == "gzip"
        sent = b"".join([part async for part in answer.aiter_raw()])
    assert len(sent) < MOST_BYTES
    assert gzip.decompress(sent).count(b'class="loop ') == LOOPS


async def test_pages_with_the_token_of_a_form_are_not_compressed(serve: Serve) -> None:
    served = serve(plant.faulty(), plant.MemoryDesk(plant.alert(plant.NOW)))
    answer = await served.get("/alerts", **{"Accept-Encoding": "gzip"})
    assert served.app.state.guard.token in answer.text
    assert "content-encoding" not in answer.headers
    for path in ("/", "/loops/TB-07", "/tags", "/loops/TB-07/trend", "/loops/TB-07/lines", "/causes"):
        assert served.app.state.guard.token not in (await served.get(path)).text, path
