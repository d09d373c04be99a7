"""Borrowing connections from a running service, over its REST interface."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator

import pytest
import uvicorn
from fastapi import FastAPI

from collector.clock import ManualClock
from collector.commissioning import borrow
from collector.commissioning.borrow import borrowed
from collector.live import EndpointState, EndpointStatus, LiveState
from collector.web.lending import router
from config.errors import TallywireError
from config.model import Site
from tests.collector.sources.sites import modbus_site

WITHIN_S = 10.0


class Served:
    """The lending routes on a free port."""

    def __init__(self) -> None:
        self.site: Site = modbus_site(1, {"flow": {"address": 0}})
        self.live = LiveState(self.site, "")
        for name in self.site.endpoints:
            self.live.endpoints[name] = EndpointStatus(name=name, protocol="modbus")
        self.clock = ManualClock()
        app = FastAPI()
        app.include_router(router(self.live, self.clock))
        self.asked = 0
        """How often the states of the endpoints were asked for."""

        @app.get("/api/v1/endpoints")
        async def endpoints() -> list[dict[str, str]]:
            self.asked += 1
            if self.asked == 3:  # the poller lets go at its next poll
                for status in self.live.endpoints.values():
                    status.state = EndpointState.DISCONNECTED
            return [{"name": name, "state": status.state.value} for name, status in self.live.endpoints.items()]

        self.socket = socket.socket()
        self.socket.bind(("127.0.0.1", 0))
        self.base = f"http://127.0.0.1:{self.socket.getsockname()[1]}"
        self.server = uvicorn.Server(uvicorn.Config(app, log_level="critical", lifespan="off"))
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": [self.socket]}, daemon=True)


@pytest.fixture
def served() -> Iterator[Served]:
    holder = Served()
    holder.thread.start()
    deadline = time.monotonic() + WITHIN_S
    while not holder.server.started and time.monotonic() < deadline:
        holder.thread.join(0.01)
    yield holder
    holder.server.should_exit = True
    holder.thread.join(WITHIN_S)
    holder.socket.close()


def test_connections_are_lent_for_the_time_and_given_back(served: Served) -> None:
    (name,) = served.site.endpoints
    with borrowed(served.site, True, base=served.base):
        assert served.live.endpoints[name].lent_until == served.clock.now() + 300.0
        assert served.live.endpoints[name].lent_to == "survey"
    assert served.live.endpoints[name].lent_until == 0.0


def test_it_is_waited_until_the_service_has_let_go(served: Served) -> None:
    (name,) = served.site.endpoints
    served.live.endpoints[name].state = EndpointState.UP
    with borrowed(served.site, True, base=served.base):
        assert served.live.endpoints[name].state is EndpointState.DISCONNECTED
        assert served.asked == 3


def test_a_long_reading_keeps_them_by_renewing(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    (name,) = served.site.endpoints
    with borrowed(served.site, True, base=served.base) as renew:
        served.live.endpoints[name].lent_until = 1.0
        renew()
        assert served.live.endpoints[name].lent_until == 1.0
        monkeypatch.setattr(borrow, "RENEW_S", 0.0)
        renew()
        assert served.live.endpoints[name].lent_until == served.clock.now() + 300.0


def test_an_endpoint_that_no_tag_is_read_from_is_borrowed_where_it_is_named(served: Served) -> None:
    (endpoint,) = served.site.endpoints.values()
    site = served.site.model_copy(update={"endpoints": {**served.site.endpoints, "spare": endpoint}})
    served.live.endpoints["spare"] = EndpointStatus(name="spare", protocol="modbus")
    with borrowed(site, True, base=served.base):
        assert served.live.endpoints["spare"].lent_until == 0.0
    with borrowed(site, True, base=served.base, also="spare"):
        assert served.live.endpoints["spare"].lent_until > 0.0


def test_they_are_given_back_after_an_error_too(served: Served) -> None:
    (name,) = served.site.endpoints
    with pytest.raises(RuntimeError, match="on the way"), borrowed(served.site, True, base=served.base):
        raise RuntimeError("on the way")
    assert served.live.endpoints[name].lent_until == 0.0


def test_another_service_does_not_lend_what_it_does_not_have(served: Served) -> None:
    other = served.site.model_copy(update={"endpoints": {"elsewhere": next(iter(served.site.endpoints.values()))}})
    with (
        pytest.raises(TallywireError, match="does not lend elsewhere: 404"),
        borrowed(other, True, base=served.base, also="elsewhere"),
    ):
        pass


def test_no_service_is_told_with_what_to_do() -> None:
    site = modbus_site(1, {"flow": {"address": 0}})
    with pytest.raises(TallywireError, match="no service answers") as caught, borrowed(site, True, base="http://127.0.0.1:9"):
        pass
    assert "--borrow" in caught.value.fix


def test_nothing_is_asked_where_nothing_is_wanted() -> None:
    with borrowed(modbus_site(1, {"flow": {"address": 0}}), False, base="http://127.0.0.1:9"):
        pass


def test_what_cannot_be_given_back_costs_nobody_his_result(served: Served, capsys: pytest.CaptureFixture[str]) -> None:
    with borrowed(served.site, True, base=served.base):
        served.live.endpoints.clear()
    assert "the service takes it back within five minutes" in capsys.readouterr().err
