"""Every module that is a check stands in the catalogue, and says what it is."""

from __future__ import annotations

import importlib
import pkgutil

import checks
from checks.catalogue import CHECKS
from checks.result import Link
from checks.window import Window
from tests.checks.runs_of_terminal import run_of, samples_by_hand, small_site, window_of


def modules() -> dict[str, object]:
    found = {item.name: importlib.import_module(f"checks.{item.name}") for item in pkgutil.iter_modules(checks.__path__)}
    return {name: module for name, module in found.items() if hasattr(module, "check")}


def test_catalogue_lists_every_check_once() -> None:
    names = [check.name for check in CHECKS]
    assert len(names) == len(set(names))
    assert set(names) == set(modules())


def answers(window: Window) -> list[tuple[str, Link]]:
    out = []
    for entry in CHECKS:
        results = entry.check(window)
        out += [(result.check, result.link) for result in results]
        assert {result.check for result in results} <= {entry.name}
        for result in results:
            assert result.reason
            assert result.used <= result.total
    return out


def test_each_check_answers_a_full_loop_at_the_links_that_it_names() -> None:
    found = modules()
    for name, link in answers(window_of(run_of("TB-07", 0.3, seed=1))):
        links = getattr(found[name], "LINKS", None)
        assert links is None or link in links


def test_each_check_answers_a_loop_that_has_nothing_but_a_flow() -> None:
    answers(window_of(samples_by_hand({"flow": [100.0] * 60}), small_site(["flow"])))


def test_each_check_answers_the_first_block_of_a_run() -> None:
    answers(window_of(run_of("TB-07", 0.01)[slice(0, 10)]))
