"""What a person may type into the wizard: hosts with their ports, tags with their keys, answers that belong together."""

from __future__ import annotations

import pytest

from collector.commissioning.addresses import addressed, shown, split_host
from collector.commissioning.questions import GAUGE
from collector.commissioning.site_draft import LoopAnswers, SiteAnswers, site_text
from collector.commissioning.tag_words import changed, read_tag, said_of
from collector.commissioning.talk import every
from config.errors import TallywireError
from config.load import parse_site
from tests.collector.commissioning.answering import Answering


@pytest.mark.parametrize(
    ("text", "host", "port"),
    [
        ("192.0.2.17", "192.0.2.17", ""), ("192.0.2.17:1502", "192.0.2.17", "1502"), ("gauge-07.example", "gauge-07.example", ""),
        ("gauge_07:502", "gauge_07", "502"), ("2001:db8::17", "2001:db8::17", ""), ("::1", "::1", ""), ("[::1]", "::1", ""),
        ("[2001:db8::17]:1502", "2001:db8::17", "1502"),
    ],
)  # fmt: skip
def test_host_and_port_are_taken_apart(text: str, host: str, port: str) -> None:
    """IPv6 addresses and their brackets as in RFC 3986 (3.2.2) and the documentation prefix of RFC 3849."""
    assert split_host(text) == (host, port)


@pytest.mark.parametrize(
    "text", ["", ":1502", "192.0.2.17:", "192.0.2.17:0", "192.0.2.17:70000", "192.0.2.17:x", "1:2:3", "[192.0.2.17]:502", "a b", "-a", "[::1"]
)  # fmt: skip
def test_what_is_no_host_is_refused_with_the_fix(text: str) -> None:
    with pytest.raises(TallywireError) as caught:
        split_host(text)
    assert caught.value.fix


def test_port_of_the_host_holds_unless_another_is_said() -> None:
    assert addressed({"host": "192.0.2.17:1502", "port": "502"}, port_said=False) == {"host": "192.0.2.17", "port": "1502"}
    assert addressed({"host": "192.0.2.17:1502", "port": "1502"}, port_said=True)["port"] == "1502"
    assert addressed({"url": "opc.tcp://plc:4840"}, port_said=False) == {"url": "opc.tcp://plc:4840"}
    with pytest.raises(TallywireError, match="the host says port 1502, the port says 503"):
        addressed({"host": "192.0.2.17:1502", "port": "503"}, port_said=True)
    assert shown({"protocol": "modbus", "host": "::1", "port": "1502"}) == "[::1]:1502, unit 1"


@pytest.mark.parametrize(
    ("said", "protocol", "fields"),
    [
        ("0", "modbus", {"table": "holding", "address": 0}),
        ("Input 4 Float32 cdab", "modbus", {"table": "input", "address": 4, "type": "float32", "order": "CDAB"}),
        ("input 14 uint16, bit: 2", "modbus", {"table": "input", "address": 14, "type": "uint16", "bit": 2}),
        ("12 uint32, scale: 0.1, measured_in: kg", "modbus",
         {"table": "holding", "address": 12, "type": "uint32", "scale": 0.1, "measured_in": "kg"}),
        ("ns=2;s=A, B: C [t/h]", "opcua", {"node": "ns=2;s=A, B: C [t/h]"}),
        ("nsu=urn:plc;s=A, property: EURange.high, period: 60 s", "opcua",
         {"node": "nsu=urn:plc;s=A", "property": "EURange.high", "period": "60 s"}),
    ],
)  # fmt: skip
def test_a_tag_is_read_and_written_alike(said: str, protocol: str, fields: dict[str, object]) -> None:
    found = read_tag(said, "device", protocol)
    assert found == {"endpoint": "device", **fields}
    assert read_tag(said_of(found), "device", protocol) == found


@pytest.mark.parametrize(
    ("said", "protocol", "says"),
    [
        ("somewhere", "modbus", "cannot be read as a register of device"), ("input 65536", "modbus", "cannot be read as a register"),
        ("input 0 flaot32", "modbus", "cannot be read as a register"), ("input 0", "opcua", "cannot be read as a node id"),
        ("nsu=;s=A", "opcua", "cannot be read as a node id"), ("ns=2;i=x", "opcua", "cannot be read as a node id"),
        ("0, scale: much", "modbus", "'much' cannot be the scale"), ("0, measured_in: tons/h", "modbus", "cannot be the measured_in"),
        ("0, measured_in: kg", "modbus", "'kg' is a mass"), ("0, property: EURange.low", "modbus", "no 'property'"),
        ("ns=2;s=A, unit: 1", "opcua", "no 'unit'"), ("0, bit: 64", "modbus", "cannot be the bit"),
    ],
)  # fmt: skip
def test_a_tag_that_cannot_be_is_one_message_with_the_fix(said: str, protocol: str, says: str) -> None:
    with pytest.raises(TallywireError, match=says) as caught:
        read_tag(said, "device", protocol, "flow")
    assert caught.value.fix or "use one of" in caught.value.what


def test_a_suggestion_changes_only_its_keys() -> None:
    assert changed("input 4 float32, scale: 0.1", "modbus", {"order": "CDAB"}) == "input 4 float32 CDAB, scale: 0.1"
    assert changed("5", "modbus", {"address": "4", "measured_in": "kg/s"}) == "holding 4, measured_in: kg/s"
    assert changed("ns=2;s=A", "opcua", {"measured_in": "short_ton/h"}) == "ns=2;s=A, measured_in: short_ton/h"


def test_a_day_that_nobody_knows_takes_the_rate_back() -> None:
    person = Answering({"20 mA": ["420 t/h"], "last tare": ["5200 1/s"], "Day of that tare": ["", "yesterday", "-"]})
    said = every(GAUGE, person)
    assert "empty_belt_rate" not in said
    assert "reference_date" not in said
    assert "give both, or neither" in person.said
    assert "Day of that activity" not in person.said


def test_plc_in_short_tons_is_read_in_short_tons_unless_another_unit_is_said() -> None:
    """A short ton is 907.18474 kg (NIST SP 811, appendix B.8)."""
    loop = LoopAnswers(
        "TB-08", gauge={"high": "600 t/h"}, plc={"low": "0 short_ton/h", "high": "661.3868 short_ton/h"}, devices={"gauge": "g", "PLC": "g"},
        tags={"flow": "0 float32", "plc_flow": "2 float32", "plc_total": "4 uint32", "plc_range_high": "6 float32, measured_in: t/h"},
    )  # fmt: skip
    found = SiteAnswers({"site": "terminal"}, {"g": {"protocol": "modbus", "host": "192.0.2.17"}}, [loop])
    made = parse_site(site_text(found), "site.yaml").site.loops["TB-08"]
    assert made.plc.range.high == pytest.approx(661.3868 * 0.90718474)
    units = {role: tag.measured_in for role, tag in made.tags.items()}
    assert units == {"flow": "", "plc_flow": "short_ton/h", "plc_total": "short_ton", "plc_range_high": "t/h"}
