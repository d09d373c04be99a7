"""What the documents promise is there, and what is there is in the documents."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from checks.catalogue import CHECKS
from collector.cli.main import COMMANDS
from config.cautions import CAUTIONS, NOT_A_SAFETY_FUNCTION

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_in_the_readme(command: str) -> None:
    assert f"tallywire {command.replace('_', '-')}" in README


@pytest.mark.parametrize("check", [check.name for check in CHECKS])
def test_every_check_is_in_the_developers_table(check: str) -> None:
    assert re.search(rf"^\| `{check}` \|", DEVELOPERS, re.MULTILINE)


def test_readme_opens_with_the_job_and_names_the_two_commands() -> None:
    first = README.split("\n\n")[1]
    assert "belt weigher" in first
    assert "4-20 mA" in first
    assert README.index("./deploy/demo") < README.index("./tests/run")


@pytest.mark.parametrize("words", ["Isolate and lock out the conveyor", "survey meter", "authorised personnel", "Local codes"])
def test_readme_carries_the_cautions(words: str) -> None:
    assert words in README


def test_cautions_name_conveyor_shutter_meter_people_and_codes() -> None:
    text = " ".join([*CAUTIONS, NOT_A_SAFETY_FUNCTION]).lower()
    for word in ("conveyor", "shutter", "survey meter", "personnel", "local codes", "safety function", "legal for trade"):
        assert word in text


@pytest.mark.parametrize("message", ["mail.txt", "webhook.txt"])
def test_messages_in_the_readme_are_as_they_are_sent(message: str) -> None:
    assert (ROOT / "tests/collector/delivery/rendered" / message).read_text(encoding="utf-8").rstrip("\n") in README
