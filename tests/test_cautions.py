"""Whatever sends a person to the gauge carries the cautions."""

from __future__ import annotations

import pytest

from checks.causes import registry
from checks.finding import Finding
from checks.telling import told
from checks.window import Window
from collector.delivery.message import alert_message
from collector.replay.report import LoopOutcome, Outcome
from collector.replay.text import text
from config.cautions import CAUTIONS
from config.model import Site
from tests.checks.runs_of_terminal import run_of, terminal, window_of

AT_GAUGE = [cause.id for cause in registry().values() if cause.at_gauge]


@pytest.fixture(scope="module")
def window() -> Window:
    return window_of(run_of(hours=0.1))


def finding_of(window: Window, cause: str) -> Finding:
    return told(
        window, registry()[cause].links[0], cause, sentence="Something differs.", begin=window.end_s - 60,
        interval=(window.end_s - 70, window.end_s - 60),
    )  # fmt: skip


def test_many_causes_send_a_person_to_the_gauge() -> None:
    assert len(AT_GAUGE) > 20


@pytest.mark.parametrize("cause", AT_GAUGE)
def test_finding_message_and_replay_carry_the_cautions(window: Window, cause: str) -> None:
    finding = finding_of(window, cause)
    assert finding.cautions == CAUTIONS
    message = alert_message("k", "raised", {"id": "a", "priority": "high"}, finding, terminal(), "")
    printed = " ".join(text(outcome_of(terminal(), finding), source="test", warnings=[], step_s=1).split())
    for sentence in CAUTIONS:
        assert sentence in message.text
        assert " ".join(sentence.split()) in printed


def outcome_of(site: Site, finding: Finding) -> Outcome:
    loop = LoopOutcome(loop=finding.loop, checks=(), findings=(finding,), totals=None)
    return Outcome(site=site.site, site_sha256="", begin=0, end=60, loops=(loop,))
