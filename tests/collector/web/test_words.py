from __future__ import annotations

import math
import re
from zoneinfo import ZoneInfo

import pytest

from checks.result import Link
from collector.web import words
from config.model import ModbusTag, OpcUaTag, RecordedTag
from tests.collector.web import plant

REGINA = ZoneInfo("America/Regina")


@pytest.mark.parametrize(
    ("value", "unit", "signed", "text"),
    [
        (218.4, "t/h", False, "218.4"),
        (-41.6, "t/h", True, "−41.6"),
        (0.04, "t/h", True, "0.0"),
        (-0.04, "t/h", True, "0.0"),
        (12100, "count", False, "12\u202f100"),
        (0.84, "", False, "0.8400"),
        (12345.6, "", False, "12\u202f346"),
        (0.0, "", False, "0"),
        (None, "t/h", True, "no value"),
        (math.nan, "t/h", True, "no value"),
        (math.inf, "", False, "no value"),
    ],
)
def test_numbers_as_people_read_them(value: float | None, unit: str, signed: bool, text: str) -> None:
    assert words.number(value, unit, signed=signed) == text


def test_quantity_carries_its_unit_only_with_a_value() -> None:
    assert words.quantity(41.2, "degC") == "41.2\u00a0°C"
    assert words.quantity(None, "degC") == "no value"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (-1, "0 s"),
        (119, "119 s"),
        (120, "2 min"),
        (7200, "2 h"),
        (11_520, "3 h 12 min"),
        (200_000, "2 days"),
        (None, "no value"),
    ],
)
def test_durations(seconds: float | None, text: str) -> None:
    assert words.duration(seconds).replace("\u00a0", " ") == text


def test_times_are_local_with_their_zone_and_utc_in_the_title() -> None:
    # Independent reading of the same instant: 1772456704 is 2026-03-02T13:05:04Z (date -u -d @1772456704).
    now = 1_772_456_704.0
    assert str(words.local(now, REGINA, now)) == (
        '<time datetime="2026-03-02T13:05:04Z" title="2026-03-02 13:05:04 UTC">07:05 CST</time>'
    )
    assert ">01 Mar 07:05:04 CST<" in words.local(now - 86400, REGINA, now, seconds=True)
    assert ">27 Nov 2024 " in words.local(now - 460 * 86400, REGINA, now)
    assert "UTC-03<" in words.local(now, ZoneInfo("America/Sao_Paulo"), now)
    assert words.local(None, REGINA, now) == "<span>no time</span>"


def test_iso_times_end_in_z() -> None:
    assert words.iso(1_772_456_704) == "2026-03-02T13:05:04Z"
    assert words.iso(1_772_456_704.25) == "2026-03-02T13:05:04.250Z"
    assert words.iso(math.nan) is None


def test_odds_in_words() -> None:
    assert words.odds(19.0) == "19 : 1"
    assert words.odds(5000) == "more than 1000 : 1"
    assert words.odds(None) == "certain by rule, not by odds"
    assert words.odds_of_alternative(0.04) == "1 : 25"
    assert words.odds_of_alternative(1.2) == "1.2 : 1"
    assert words.odds_of_alternative(0.0) == "no value"


def test_tags_say_where_they_are_read_and_what_the_registers_held() -> None:
    assert words.where(ModbusTag(endpoint="g", address=7, bit=3)) == "g holding 7 bit 3 uint16 ABCD"
    assert words.where(OpcUaTag(endpoint="p", node="ns=2;s=x", property="EURange.low")) == "p ns=2;s=x EURange.low"
    assert words.where(RecordedTag()) == "recorded data only"
    assert words.registers((17282.0, 0.0)) == "17282 0 = 0x 4382 0000"
    assert words.registers((260.25,)) == "260.25"
    assert words.tag_value(1.0, "drive_running", "") == "yes"
    assert words.tag_value(math.nan, "drive_running", "") == "no value"


def test_every_link_has_a_name_and_a_place() -> None:
    assert set(words.LINK_NAMES) == set(words.PLACES) == set(Link)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Ends differ since 13:11 UTC on 02 Mar: off by -2.23 %", "Ends differ since 07:11 CST: off by −2.23 %"),
        ("since 23:50 UTC on 28 Feb", "since 28 Feb 17:50 CST"),
        ("since 06:30 UTC on 31 Dec", "since 31 Dec 2025 00:30 CST"),
        ("the detector is at 29.0 degC, TB-07 and 2019-05-14 stay", "the detector is at 29.0 °C, TB-07 and 2019-05-14 stay"),
        ("<b>13:11</b>", "&lt;b&gt;13:11&lt;/b&gt;"),
    ],
)
def test_sentences_of_the_checks_are_told_in_the_words_of_the_site(text: str, shown: str) -> None:
    told = str(words.said(text, ZoneInfo("America/Regina"), plant.NOW))
    assert re.sub(r"</?time[^>]*>", "", told).replace("\N{NO-BREAK SPACE}", " ") == shown
    assert ("UTC" in text) == ("UTC" in told), "the moment in UTC stands in the title"
