"""The rules between keys: each is broken once, and says where and why."""

from __future__ import annotations

import pytest

from config.model import Site
from config.problems import Problem
from config.rules import findings_of
from tests.config.bad_files import SOUND, TODAY, problems_of, sound, spoiled

HOST = "    host: 192.0.2.10\n"
URL = "    url: opc.tcp://192.0.2.30:4840\n"
GAUGE = "      nuclide: Cs-137\n"
PLC = "    plc:\n      range: {low: 0 t/h, high: 420 t/h}\n"
FLOW = "flow: {endpoint: gauge, address: 0, type: float32}"
PLC_FLOW = "plc_flow: {endpoint: plc, node: ns=2;s=Flow}"
TAIL = "web:\n  host: 127.0.0.1\n"


def after(piece: str, more: str) -> str:
    return spoiled(piece, piece + more)


def told(text: str) -> str:
    return f"{SOUND}deliveries: {{w: {{kind: webhook, url_env: A, tell: {{{text}}}}}}}\n"


def limits(text: str) -> str:
    return spoiled("    tags:\n", f"    limits: {{{text}}}\n    tags:\n")


# spoiled text, dotted path (~ is loops.TB-07), piece of the message
ERRORS: dict[str, tuple[str, str, str]] = {
    # site
    "web open": (spoiled("127.0.0.1", "192.0.2.1"), "web.host", "in clear text"),
    "web by name": (spoiled("host: 127.0.0.1", "host: plant.example.com"), "web.host", "no address of this machine"),
    "zone": (SOUND + "time_zone: Europa/Berlin\n", "time_zone", "no IANA time zone"),
    "zone as path": (SOUND + "time_zone: ../etc/passwd\n", "time_zone", "no IANA time zone"),
    "shift format": (SOUND + 'shifts: ["6:00", "14:00"]\n', "shifts[0]", "no time of day"),
    "shift order": (SOUND + 'shifts: ["06:00", "22:00", "14:00"]\n', "shifts[2]", "does not come after"),
    "no shift": (SOUND + "shifts: []\n", "shifts", "there is no shift"),
    "block": (SOUND + "block: 7 s\n", "block", "does not divide a minute"),
    "half block": (SOUND + "block: 1.5 s\n", "block", "whole number of seconds"),
    "short block": (SOUND + "block: 100 ms\n", "block", "does not divide"),
    "close after": (SOUND + "close_after: -1 s\n", "close_after", "out of range"),
    "history": (SOUND + "history: {raw: 1 h}\n", "history.raw", "keeps whole days"),
    "ids by case": (
        spoiled("web:\n", "  tb-07: {gauge: {range: {high: 1 t/h}}, plc: {range: {high: 1 t/h}}, tags: {flow: {}}}\nweb:\n"),
        "loops.tb-07", "upper and lower case only",
    ),
    "mail user": (SOUND + "deliveries: {m: {kind: mail, server: s, sender: a@b, to: [c@d], user: u}}\n",
                  "deliveries.m.password_env", "has no password"),
    "mail nobody": (SOUND + "deliveries: {m: {kind: mail, server: s, sender: a@b, to: []}}\n", "deliveries.m.to",
         "no recipient"),
    "mail address": (SOUND + "deliveries: {m: {kind: mail, server: s, sender: ab, to: [c@d]}}\n", "deliveries.m.sender",
         "'ab'"),
    "report of no loop": (SOUND + "reports: {r: {what: chain, loops: [TB-70], every: day, folder: out}}\n", "reports.r.loops[0]",
                          "no loop"),
    "report of nothing": (SOUND + "reports: {r: {what: uptime, every: day, formats: [], folder: out}}\n", "reports.r.formats",
                          "no format"),
    "report twice": (SOUND + "reports: {r: {what: uptime, every: day, formats: [pdf, pdf], folder: out}}\n",
                     "reports.r.formats", "twice"),
    "report hourly": (SOUND + "reports: {r: {what: chain, every: hour, folder: out}}\n", "reports.r.every", "none of the allowed"),
    "report nowhere": (SOUND + "reports: {r: {what: chain, every: day}}\n", "reports.r.folder", "is missing"),
    "mail twice": (SOUND + "deliveries: {m: {kind: mail, server: s, sender: a@b, to: [c@d], to_env: R}}\n", "deliveries.m.to",
                   "named twice"),
    "mail elsewhere twice": (SOUND + "deliveries: {m: {kind: mail, server: s, sender: a@b, to_file: f, to_env: R}}\n",
                             "deliveries.m.to_env", "are named twice"),
    "chat": (SOUND + "deliveries: {c: {kind: chat}}\n", "deliveries.c.url_env", "the chat has no address"),
    "chat address": (SOUND + "deliveries: {c: {kind: chat, url: 'x://y/z'}}\n", "deliveries.c.url", "is a secret"),
    "chat name": (SOUND + "deliveries: {c: {kind: chat, url_env: 'x://y/z'}}\n", "deliveries.c.url_env", "no name of an environ"),
    "webhook secret": (SOUND + "deliveries: {w: {kind: webhook, url_env: A, secret_env: B, secret_file: c}}\n",
                       "deliveries.w.secret_env", "secret of the webhook is named twice"),
    "tell shift": (told('shifts: ["07:00"]'), "deliveries.w.tell.shifts[0]", "no shift of this site begins"),
    "tell loop": (told("loops: [TB-70]"), "deliveries.w.tell.loops[0]", "there is no loop 'TB-70'"),
    "tell role": (told("roles: [boss]"), "deliveries.w.tell.roles[0]", "boss"),
    "tell twice": (told("days: [mon, mon]"), "deliveries.w.tell.days", "named twice"),
    "tell quiet": (told('quiet: ["22:00"]'), "deliveries.w.tell.quiet", "a begin and an end"),
    "tell no quiet": (told('quiet: ["22:00", "22:00"]'), "deliveries.w.tell.quiet", "no length"),
    "tell quiet time": (told('quiet: ["22:00", "6:00"]'), "deliveries.w.tell.quiet[1]", "no time of day"),
    "tell digest": (told('digest: "25:00"'), "deliveries.w.tell.digest", "no time of day"),
    "tell after": (SOUND + "deliveries: {w: {kind: webhook, url_env: A}, x: {kind: webhook, url_env: B, tell: {after: 0 s}}}\n",
                   "deliveries.x.tell.after", "out of range"),
    "tell after and digest": (
        SOUND + "deliveries: {w: {kind: webhook, url_env: A}, x: {kind: webhook, url_env: B, tell: "
        '{after: 5 min, digest: "07:00"}}}\n', "deliveries.x.tell.after", "neither quiet hours nor a digest"),
    "reopening": (SOUND + "alerting: {reopen_within: 2 d}\n", "alerting.reopen_within", "out of range"),
    "tolerable": (SOUND + "alerting: {tolerable: 0 t}\n", "alerting.tolerable", "is no mass"),
    "page": (SOUND + "alerting: {page: 'tallywire.terminal.example'}\n", "alerting.page", "no address of a page"),
    "webhook": (SOUND + "deliveries: {w: {kind: webhook}}\n", "deliveries.w.url_env", "has no address"),
    "webhook twice": (SOUND + "deliveries: {w: {kind: webhook, url_env: A, url_file: b}}\n", "deliveries.w.url_env", "twice"),
    "webhook address": (SOUND + "deliveries: {w: {kind: webhook, url: 'https://x/y'}}\n", "deliveries.w.url", "is a secret"),
    # endpoints
    "no host": (spoiled(HOST, ""), "endpoints.gauge.host", "tcp needs the host"),
    "no device": (spoiled(HOST, "    transport: rtu\n"), "endpoints.gauge.device", "serial device"),
    "broadcast": (spoiled(HOST, "    transport: rtu\n    device: /dev/ttyUSB0\n    unit: 0\n"), "endpoints.gauge.unit",
         "broadcast"),
    "reserved unit": (after(HOST, "    transport: rtu-over-tcp\n    unit: 248\n"), "endpoints.gauge.unit", "reserved"),
    "tls": (after(HOST, "    transport: tls\n"), "endpoints.gauge.ca_file", "authority"),
    "tls half a pair": (after(HOST, "    transport: tls\n    ca_file: c\n    client_key: k\n"),
                        "endpoints.gauge.client_certificate", "go together"),
    "opc ua key": (after(URL, "    security: Basic256Sha256\n    client_certificate: c\n    server_certificate: s\n"),
                   "endpoints.plc.client_key", "needs the key"),
    "opc ua pin": (after(URL, "    security: Basic256Sha256\n    client_certificate: c\n    client_key: s\n"),
                   "endpoints.plc.server_certificate", "pinned"),
    "password as name": (after(URL, "    user: u\n    password_env: hunter-2!\n"), "endpoints.plc.password_env",
         "no name of an env"),
    "password twice": (after(URL, "    user: u\n    password_env: A\n    password_file: b\n"),
         "endpoints.plc.password_file", "twice"),
    "no user": (after(URL, "    password_env: A\n"), "endpoints.plc.user", "but no user"),
    "period": (after(HOST, "    period: 0 s\n"), "endpoints.gauge.period", "is no period"),
    "long period": (after(HOST, "    period: 2 min\n"), "endpoints.gauge.period", "longer than a minute"),
    "gap": (after(HOST, "    request_gap: -1 ms\n"), "endpoints.gauge.request_gap", "negative"),
    # loops
    "gauge range": (spoiled("high: 420", "high: -5"), "~gauge.range.high", "not above its begin"),
    "raw span": (after(PLC, "      raw_span: {low: 27648, high: 0}\n"), "~plc.raw_span.high", "do not lie above"),
    "nuclide": (spoiled("Cs-137", "Cs137"), "~gauge.nuclide", "did you mean Cs-137?"),
    "background": (spoiled("60 1/s", "6000 1/s"), "~gauge.background", "not below the empty-belt rate"),
    "dead time": (after(GAUGE, "      dead_time: 5 ms\n"), "~gauge.dead_time", "cannot give"),
    "fixed speed": (after(GAUGE, "      speed_source: fixed\n"), "~gauge.fixed_speed", "the speed is missing"),
    "belt": (after(GAUGE, "      belt_length: 0 m\n"), "~gauge.belt_length", "belt_length is 0"),
    "damping": (after(GAUGE, "      damping: -1 s\n"), "~gauge.damping", "damping is negative"),
    "settle": (spoiled("    tags:\n", "    settle: -1 s\n    tags:\n"), "~settle", "negative"),
    "cut-off": (after(GAUGE, "      low_cutoff: 420 t/h\n"), "~gauge.low_cutoff", "hides the whole range"),
    "resolution": (after(PLC, "      total: {resolution: 0 t}\n"), "~plc.total.resolution", "one digit"),
    "rollover": (after(PLC, "      total: {rollover: 0.1 t}\n"), "~plc.total.rollover", "within one digit"),
    # limits
    "pair": (limits("link: {suspect: 1 %}"), "~limits.link.suspect", "above the fault limit"),
    "total pair": (limits("totals: {fault: 0.1 %}"), "~limits.totals.suspect", "above the fault limit"),
    "coverage": (limits("freshness: {coverage_suspect: 50 %}"), "~limits.freshness.coverage_suspect", "doubtful below 50"),
    "coverage above all": (limits("freshness: {coverage_suspect: 101 %}"), "~limits.freshness.coverage_suspect", "cannot"),
    "temperatures": (limits("temperature: {suspect_high: 60 degC}"), "~limits.temperature.suspect_high", "above fault_high"),
    "currents": (limits("current: {failure_low: 3.9 mA}"), "~limits.current.failure_low", "above measuring_low"),
    "negative delay": (limits("alerts: {on_delay: -1 s}"), "~limits.alerts.on_delay", "is negative"),
    "no probability": (limits("counts: {zero_probability: 0}"), "~limits.counts.zero_probability", "no probability"),
    "periods": (limits("freshness: {periods: 0.5}"), "~limits.freshness.periods", "stale after 0.5 periods"),
    "empty below all": (limits("empty_below: 500 t/h"), "~limits.empty_below", "the whole range"),
    # tags
    "bit of a float": (spoiled("type: float32", "type: float32, bit: 1"), "~tags.flow.bit", "cannot be picked"),
    "bit of a coil": (spoiled(FLOW, FLOW + "\n      maintenance: {endpoint: gauge, table: coil, address: 0, bit: 1}"),
                      "~tags.maintenance.bit", "one bit already"),
    "type of a coil": (spoiled(FLOW, FLOW + "\n      maintenance: {endpoint: gauge, table: coil, address: 0, type: int16}"),
                       "~tags.maintenance.type", "has no type"),
    "end of the table": (spoiled("address: 0", "address: 65535"), "~tags.flow.address", "the table ends"),
    "64 bits in one read": (spoiled("host: 192.0.2.10", "host: 192.0.2.10\n    max_registers: 3").replace("float32",
         "float64"),
                            "~tags.flow.type", "4 registers"),
    "unit of a tag": (spoiled("type: float32", "type: float32, measured_in: kg/m"), "~tags.flow.measured_in", "per length"),
    "ton of a tag": (spoiled("type: float32", "type: float32, measured_in: ton/h"), "~tags.flow.measured_in", "which ton"),
    "unit of a bit": (spoiled(FLOW, FLOW + "\n      maintenance: {endpoint: gauge, address: 2, measured_in: s}"),
                      "~tags.maintenance.measured_in", "without a unit"),
    "scale": (spoiled("type: float32", "type: float32, scale: 0"), "~tags.flow.scale", "loses the value"),
    "endless scale": (spoiled("type: float32", "type: float32, scale: .inf"), "~tags.flow.scale", "loses the value"),
    "offset": (spoiled("type: float32", "type: float32, offset: .nan"), "~tags.flow.offset", "loses the value"),
    "tag period": (spoiled("type: float32", "type: float32, period: 0 s"), "~tags.flow.period", "is no period"),
    "inverted number": (spoiled("type: float32", "type: float32, inverted: true"), "~tags.flow.inverted", "no bit"),
}  # fmt: skip


@pytest.mark.parametrize(("text", "path", "what"), ERRORS.values(), ids=ERRORS)
def test_broken_rule_is_one_error_at_its_key(text: str, path: str, what: str) -> None:
    problems = problems_of(text)
    assert [problem.path for problem in problems] == [path.replace("~", "loops.TB-07.")], "\n".join(map(str, problems))
    assert what in problems[0].what
    assert problems[0].place.line > 0


WARNINGS: dict[str, tuple[str, str, str]] = {
    "timeout": (spoiled("    timeout: 0.3 s\n", "    timeout: 0.5 s\n"), "endpoints.gauge.timeout",
         "more than 0.4 of the period"),
    "idle device": (after(HOST, "    device: /dev/ttyUSB0\n"), "endpoints.gauge.device", "does not use device"),
    "idle files": (after(HOST, "    ca_file: c\n"), "endpoints.gauge.transport", "does not use them"),
    "clear password": (after(URL, "    user: u\n    password_env: A\n"), "endpoints.plc.security", "in clear text"),
    "unused endpoint": (spoiled("endpoints:\n", "endpoints:\n  old: {protocol: opcua, url: 'opc.tcp://h'}\n"),
                        "endpoints.old", "no tag is read"),
    "future": (after(GAUGE, "      reference_date: 2030-01-01\n"), "~gauge.reference_date", "in the future"),
    "losses": (after(GAUGE, "      dead_time: 25 us\n"), "~gauge.dead_time", "13 % of the counts"),
    "other range": (spoiled(PLC, PLC.replace("420", "500")), "~plc.range", "the chain as declared misreads"),
    "idle speed": (after(GAUGE, "      fixed_speed: 1.9 m/s\n"), "~gauge.fixed_speed", "not used"),
    "variable drive": (spoiled(PLC, "      speed_source: fixed\n      fixed_speed: 1 m/s"
         "\n" + PLC + "    drive: {variable: true}\n"),
                       "~drive.variable", "wrong at every other speed"),
    "weak supply": (after(PLC, "      load_resistance: 1200 ohm\n"), "~plc.load_resistance", "cannot drive 21 mA"),
    "same address": (spoiled(FLOW, FLOW + "\n      load: {endpoint: gauge, address: 0, type: float32}"), "~tags.load",
                     "the same address is read for TB-07.flow"),
    "same node": (spoiled(PLC_FLOW, PLC_FLOW + "\n      ai_raw: {endpoint: plc, node: ns=2;s=Flow}"), "~tags.ai_raw",
                  "the same address"),
    "overlap": (spoiled(FLOW, FLOW + "\n      load: {endpoint: gauge, address: 1, type: float32}"), "~tags.load.address",
                "inside the value of TB-07.flow"),
    "independent flow": (spoiled("type: float32", "type: float32, independent: true"), "~tags.flow.independent",
                         "loop_current only"),
    "mail in clear": (SOUND + "deliveries: {m: {kind: mail, server: s, sender: a@b, to: [c@d], user: u, password_env: P,"
                      " start_tls: false}}\n",
                      "deliveries.m.start_tls", "clear text"),
    "nobody at night": (told('shifts: ["06:00", "14:00"]'), "deliveries", "nobody is on duty in the shifts mon 22:00, tue 22:00,"),
    "nobody on sunday": (told("days: [mon, tue, wed, thu, fri, sat]"), "deliveries", "sun 06:00, sun 14:00, sun 22:00"),
    "only late": (told("after: 5 min"), "deliveries", "no delivery is told at once"),
    "only low": (told("priorities: [low]"), "deliveries", "no delivery is told at once"),
}  # fmt: skip


@pytest.mark.parametrize(("text", "path", "what"), WARNINGS.values(), ids=WARNINGS)
def test_doubtful_setting_is_one_warning_and_loads(text: str, path: str, what: str) -> None:
    warnings: tuple[Problem, ...] = sound(text).warnings
    assert [warning.path for warning in warnings] == [path.replace("~", "loops.TB-07.")], "\n".join(map(str, warnings))
    assert what in warnings[0].what


ALLOWED: dict[str, str] = {
    "loopback net": spoiled("127.0.0.1", "127.8.0.1"),
    "loopback of version 6": spoiled("host: 127.0.0.1", 'host: "::1"'),
    "localhost": spoiled("127.0.0.1", "localhost"),
    "bits of one word": spoiled(FLOW, FLOW + "\n      maintenance: {endpoint: gauge, address: 2, bit: 1}"
                                "\n      calibrating: {endpoint: gauge, address: 2, bit: 2}"
         "\n      gauge_status: {endpoint: gauge, address: 2}"),
    "one address, two units": spoiled(FLOW, FLOW + "\n      load: {endpoint: gauge, address: 0, type: float32, unit: 2}"),
    "one address, two tables": spoiled(FLOW, FLOW + ""
         "\n      load: {endpoint: gauge, table: input, address: 0, type: float32}"),
    "range and value of one node": spoiled(PLC_FLOW, PLC_FLOW + ""
         "\n      plc_range_high: {endpoint: plc, node: ns=2;s=Flow, property: EURange.high}"),
    "short tons": spoiled("type: float32", "type: float32, measured_in: short ton/h"),
    "same range in two units": spoiled("high: 420 t/h", "high: 420000 kg/h"),
    "last register": spoiled("address: 0, type: float32", "address: 65532, type: float64"),
    "serial line": spoiled(HOST, "    transport: rtu\n    device: /dev/ttyUSB0\n    unit: 247\n"),
    "kept for ever": SOUND + "history: {raw: null, minute: null}\n",
    "mains frequency without its unit": spoiled(PLC, PLC + "    drive: {nominal_frequency: 60}\n"),
    "mains frequency": spoiled(PLC, PLC + "    drive: {nominal_frequency: 60 Hz}\n"),
    "one shift": SOUND + 'shifts: ["00:00"]\n',
}  # fmt: skip


@pytest.mark.parametrize("text", ALLOWED.values(), ids=ALLOWED)
def test_what_is_allowed_loads_without_a_word(text: str) -> None:
    assert [str(warning) for warning in sound(text).warnings] == []


def test_rules_also_judge_a_site_that_was_not_read_from_a_file() -> None:
    tags = {"flow": {"endpoint": "x", "address": 0}, "flw": {}}
    loop = {"gauge": {"range": {"high": 1.0}}, "plc": {"range": {"high": 1.0}}, "tags": tags}
    site = Site.model_validate({"schema": 1, "site": "t", "loops": {"A": loop}})
    assert {found.path for found in findings_of(site, TODAY)} == {
        ("loops", "A", "tags", "flw"),
        ("loops", "A", "tags", "flow", "endpoint"),
    }
