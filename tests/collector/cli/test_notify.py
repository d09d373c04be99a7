"""`notify test`: one line a delivery, 1 where one was not taken, and never an address."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.cli import exits, main
from tests.collector.delivery.receiver import Receiver
from tests.config.bad_files import SOUND

DELIVERIES = "deliveries: {first: {kind: webhook, url_env: FIRST_URL}, second: {kind: webhook, url_env: SECOND_URL}}\n"


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "site.yaml"
    path.write_text(SOUND + DELIVERIES)
    return path


def test_every_delivery_gets_a_message_and_says_so(
    site: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with Receiver() as receiver:
        monkeypatch.setenv("FIRST_URL", receiver.url)
        monkeypatch.setenv("SECOND_URL", receiver.url)
        assert main.main(["notify", "test", str(site)]) == exits.NO_FINDING
        assert [event["type"] for event in receiver.taken] == ["tallywire.test"] * 2
        assert main.main(["notify", "test", str(site), "--to", "second"]) == exits.NO_FINDING
        assert receiver.taken[-1]["data"]["title"] == "Test message for second, sent from a terminal"
    said = capsys.readouterr().out
    assert said.count("taken (webhook to 127.0.0.1)") == 3
    assert "s3cr3t" not in said
    assert max(map(len, said.splitlines())) <= 80


def test_delivery_that_does_not_take_it_is_told_and_the_others_go_on(
    site: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with Receiver(503) as receiver:
        monkeypatch.setenv("FIRST_URL", receiver.url)
        monkeypatch.setenv("SECOND_URL", receiver.url)
        assert main.main(["notify", "test", str(site)]) == exits.FINDINGS
        assert len(receiver.taken) == 1
    assert "first: NOT taken. webhook to 127.0.0.1: HTTP 503." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("more", "to", "said"),
    [
        (DELIVERIES, ["--to", "third"], "no delivery 'third'"),
        ("", [], "has no delivery"),
        (DELIVERIES, ["--to", "first"], "FIRST_URL is not set"),
    ],
)
def test_what_cannot_be_sent_is_one_message(
    tmp_path: Path, more: str, to: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(SOUND + more)
    assert main.main(["notify", "test", str(path), *to]) == exits.BAD_INPUT
    assert said in capsys.readouterr().err
