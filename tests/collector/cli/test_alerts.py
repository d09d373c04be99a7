"""`alerts` against a running application: lists, shows, orders, and says what a refusal says."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from collector.alerts.model import AlertState
from collector.cli import exits, main
from config.cautions import CAUTIONS
from tests.browser.served import served
from tests.collector.web.alarmed import URL, Alarmed
from tests.config.bad_files import SOUND

ID = "TB-07-scaling-block-1"
Ask = Callable[..., int]


@pytest.fixture
def alarmed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Alarmed]:
    monkeypatch.setenv("ON_CALL_URL", URL)
    made = Alarmed(tmp_path, port=None)
    yield made
    made.close()


@pytest.fixture
def ask(alarmed: Alarmed, tmp_path: Path) -> Iterator[Ask]:
    site = tmp_path / "site.yaml"
    site.write_text(SOUND)
    with served(alarmed.app) as url:
        yield lambda command, *more: main.main(["alerts", command, str(site), *more, "--page", url])


def test_list_and_show_say_what_stands_in_eighty_columns(ask: Ask, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask("list") == exits.FINDINGS
    listed = capsys.readouterr().out
    assert ID in listed
    assert "4 not normal, 2 of them wait for an acknowledgement." in listed
    assert ask("show", ID) == exits.NO_FINDING
    shown = capsys.readouterr().out
    assert "about 20 t/h are booked" in shown
    assert CAUTIONS[0].split(",")[0] in " ".join(shown.split())
    assert ask("performance") == exits.NO_FINDING
    figures = capsys.readouterr().out
    assert "not held against the targets before 30 days" in figures
    assert max(map(len, (listed + shown + figures).splitlines())) <= 80


def test_orders_are_given_and_taken_back(ask: Ask, alarmed: Alarmed, capsys: pytest.CaptureFixture[str]) -> None:
    by = ("--by", "R. Sandhu")
    accept = ("--owner", "B. Ostrander", "--reason", "shutdown", "--days", "30", "--grow", "5")
    assert ask("acknowledge", ID, *by) == exits.NO_FINDING
    assert ask("accept", ID, *by, *accept) == exits.NO_FINDING
    assert ask("unshelve", ID, *by) == exits.NO_FINDING
    assert ask("out-of-service", ID, *by, "--reason", "exchange", "--hours", "2") == exits.NO_FINDING
    assert ask("restore", ID, *by) == exits.NO_FINDING
    assert ask("shelve", ID, *by, "--reason", "known", "--hours", "2") == exits.NO_FINDING
    said = capsys.readouterr().out.splitlines()
    states = ["acknowledged", "shelved", "unacknowledged", "out-of-service", "unacknowledged", "shelved"]
    assert said == [f"{ID} is {state}" for state in states]
    found = alarmed.book.find(ID)
    assert found is not None
    assert found.state is AlertState.SHELVED


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("show", "TB-99"), "there is no alert 'TB-99'"),
        (("restore", ID, "--by", "A"), "the alert is not out of service"),
        (("acknowledge", ID), "a name is missing"),
        (("shelve", ID, "--by", "A", "--reason", "b", "--hours", "9999"), "less than or equal to 720"),
    ],
)
def test_refusal_is_one_message_in_the_words_of_the_service(
    ask: Ask, arguments: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ask(*arguments) == exits.BAD_INPUT
    assert said in capsys.readouterr().err


def test_service_that_does_not_run_is_one_message(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site = tmp_path / "site.yaml"
    site.write_text(SOUND)
    assert main.main(["alerts", "list", str(site), "--page", "http://127.0.0.1:1"]) == exits.BAD_INPUT
    assert "the service does not answer (ConnectError)" in capsys.readouterr().err
