"""What every folder of tests may use, and which tests share a worker."""

from __future__ import annotations

import gc
from collections.abc import Generator, Iterator
from functools import partialmethod

import jinja2
import pytest
from hypothesis import settings

from tests import FULL
from tests.postgres import Server
from tests.routes import RoutesReadOnce
from tests.templates import CompiledTemplates

settings.register_profile("ordinary", deadline=None, derandomize=True, max_examples=30)
settings.register_profile("full", deadline=None)
settings.load_profile("full" if FULL else "ordinary")


YOUNG = 10_000
"""So many new objects are looked through for garbage at a time; an application under test makes hundreds of thousands."""


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """What is imported and collected stays until the end: looking through it for garbage took a quarter of all tests."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.set_threshold(YOUNG, 10, 10)
        gc.enable()


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[Server]:
    """A PostgreSQL server of this run's own; where it is missing, what needs it fails."""
    server = Server()
    yield server
    server.close()


@pytest.fixture(scope="session", autouse=True)
def _templates_are_compiled_once() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        cached = partialmethod(jinja2.Environment.__init__, bytecode_cache=CompiledTemplates())
        patch.setattr(jinja2.Environment, "__init__", cached)
        yield


@pytest.fixture(scope="session", autouse=True)
def _routes_are_read_once() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        RoutesReadOnce().install(patch)
        yield


def shared_place(item: pytest.Item) -> str | None:
    """The widest place whose tests share a fixture that this test asks for: its module, or the folder of a fixture that a
    package makes once; None where each test makes its own."""
    places = set()
    for definitions in getattr(item, "_fixtureinfo").name2fixturedefs.values():  # noqa: B009 - pytest has no public name for it
        fixture = definitions[-1]
        if fixture.baseid.startswith("tests"):
            if fixture.scope == "package":
                places.add(fixture.baseid)
            elif fixture.scope == "module":
                places.add(item.nodeid.partition("::")[0])
    return min(places, key=len, default=None)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests that share a fixture run on one worker; spread over three, each of them would make it. Those that mostly wait begin
    first, one behind the other on one worker, so that the others have the processors meanwhile and nobody waits at the end."""
    items.sort(key=lambda item: item.get_closest_marker("waits") is None)
    for item in items:
        place = "waits" if item.get_closest_marker("waits") is not None else shared_place(item)
        if place is not None and item.get_closest_marker("xdist_group") is None:
            item.add_marker(pytest.mark.xdist_group(place))
