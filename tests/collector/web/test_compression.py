from __future__ import annotations

import gzip
import re
from dataclasses import replace

from checks.result import Verdict
from collector.live import LiveState
from collector.web import overview
from collector.web.pages import LOOPS_A_PAGE
from tests.browser import places
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
    page = gzip.decompress(sent)
    assert page.count(b'class="loop ') == LOOPS_A_PAGE
    assert f"{LOOPS} loops: {LOOPS // 20} differ, {LOOPS - LOOPS // 20} agree.".encode() in page


async def test_pages_of_many_loops_are_turned_searched_and_follow_only_what_they_show(serve: Serve) -> None:
    served = serve(fleet())
    seen: list[str] = []
    for number in range(1, LOOPS // LOOPS_A_PAGE + 1):
        html = (await served.get(f"/?page={number}")).text
        shown = re.findall(r'<p class="which"><a href="/loops/([^"]+)"', html)
        followed = re.search(r'data-events="/events\?order=true&amp;loops=([^"]*)"', html)
        assert followed is not None
        assert followed[1].split(",") == shown
        seen += shown
    assert sorted(seen) == sorted(served.live.site.loops)
    assert seen == [line.loop for line in overview.loop_lines(served.live, plant.NOW)]
    found = (await served.get("/?find=tb-49")).text
    assert re.findall(r'<p class="which"><a href="/loops/([^"]+)"', found) == [f"TB-49{digit}" for digit in "012345678" + "9"]
    assert "loops 1 to 10 of 10 with “tb-49” in name or title" in found
    assert "None of the loops with “zz”" in (await served.get("/?find=zz")).text


async def test_tags_and_alerts_of_many_loops_come_in_pages(serve: Serve) -> None:
    live = fleet()
    served = serve(live, plant.MemoryDesk(*(plant.alert(id=f"{loop}-1", loop=loop) for loop in live.site.loops)))
    assert len(re.findall(r'<h2 id="tags-', (await served.get("/tags")).text)) == 10
    answer = await served.get("/alerts")
    assert len(re.findall(r'<article class="alert', answer.text)) == 25
    assert len(answer.content) < MOST_BYTES
    assert "alerts 1 to 25 of 500" in answer.text
    assert len(re.findall(r'<article class="alert', (await served.get("/alerts?find=TB-123")).text)) == 1


async def test_pages_with_the_token_of_a_form_are_not_compressed(serve: Serve) -> None:
    served = serve(plant.faulty(), plant.MemoryDesk(plant.alert(plant.NOW)))
    answer = await served.get("/alerts", **{"Accept-Encoding": "gzip"})
    assert served.app.state.guard.token in answer.text
    assert "content-encoding" not in answer.headers
    for path in places.PAGES.values():
        answer = await served.get(path, **{"Accept-Encoding": "gzip"})
        assert answer.status_code == 200, path
        secret = served.app.state.guard.token in answer.text
        assert ("content-encoding" in answer.headers) == (not secret), path
