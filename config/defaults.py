"""Every default with judgement in it: value, unit, why this value, and where it comes from.

The values act from `config.limits` and `config.model`; this table says why. A test holds that the two agree, that none is
missing here and none is left over. Names are dotted: `limits.link.fault` is `loops.ID.limits.link.fault` in the site file.

Origins: `seen` (read in the source itself), `second-hand` (read in a text that quotes it), `computed`, `from memory`,
`common practice` (of the trade, no source), `own choice` (a choice of this program, with its arithmetic in the reason).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from config.unit_table import YEAR_D

Origin = Literal["seen", "second-hand", "computed", "from memory", "common practice", "own choice"]


@dataclass(frozen=True, slots=True)
class Default:
    """One default: `value` in `unit` (empty for a plain number), the reason, and the source with its origin word."""

    value: float
    unit: str
    reason: str
    source: str
    origin: Origin


_NE43 = "NAMUR NE 43 (current edition 2021-07-26)"
_R50 = "OIML R 50-1:2014"
_ISA = "ANSI/ISA-18.2, table of starting values for dead band and delay"
_SERIAL = "Modbus over Serial Line V1.02"
_BELT = "reference belt: 5200 1/s empty, background 60 1/s, 420 t/h, time constant 10 s"
_TRADE = "common practice, no source"
_HERE = "choice of this program"

_LIMITS: dict[str, Default] = {
    "limits.link.suspect": Default(0.25, "%",
        "strict end of loop-check acceptance; above the 0.14 % that card and output gain of 0.1 % each make together",
        "loop-check acceptance 0.25 % to 1 % of span", "from memory"),
    "limits.link.fault": Default(0.5, "%", "usual pass limit of a five-point loop check, 0.08 mA of 16 mA",
        "loop-check acceptance, 0.5 % of span common", "from memory"),
    "limits.counts_to_flow.suspect": Default(0.5, "%",
        "2.1 t/h on the reference belt; the damping of the gauge leaves up to 0.4 t/h once it is modelled, and the "
        "half-life of Cs-137 is known to 0.1 t/h a year", _BELT, "computed"),
    "limits.counts_to_flow.fault": Default(1.0, "%",
        "twice the suspect limit: 0.4 % of the net counts, or two months of decay of Cs-137 that nobody compensates",
        _BELT, "computed"),
    "limits.totals.suspect": Default(0.25, "%", "what a belt scale may be off in a material test",
        "NIST Handbook 44, 2.21 T.1; a yardstick, radiometric weighers are outside its scope", "from memory"),
    "limits.totals.fault": Default(0.5, "%",
        "error allowed to class 1 at verification; two totals of one signal must do better",
        f"{_R50}, class 1; a yardstick, radiometric weighers are outside its scope", "from memory"),
    "limits.totals.least_tonnes": Default(20.0, "t",
        "200 digits of 0.1 t, the least total of class 2: one digit is then 0.5 %",
        f"{_R50}, least totalized load in scale intervals", "from memory"),
    "limits.totals.horizon": Default(28800.0, "s", "one shift, the time after which somebody books the tonnes",
        _HERE, "own choice"),
    "limits.temperature.suspect_high": Default(45.0, "degC",
        "10 K below the fault limit: time to shade or cool before the gain moves by 0.5 %", _TRADE, "common practice"),
    "limits.temperature.fault_high": Default(55.0, "degC", "crystals and tubes are rated to 50 to 60 degC",
        _TRADE, "common practice"),
    "limits.temperature.suspect_low": Default(-10.0, "degC", "lower end of the temperatures belt scales are tested at",
        "NIST Handbook 44, 2.21 T.3.1.1, -10 to 40 degC", "from memory"),
    "limits.temperature.fault_low": Default(-20.0, "degC", "common lower rating of field electronics",
        _TRADE, "common practice"),
    "limits.temperature.rate": Default(2.0, "K/min",
        "60 W of sun on a housing of 20 kg (500 J/kg K) warm it by 0.4 K/min; faster is a sensor that fails, or water "
        "on a hot housing", _HERE, "own choice"),
    "limits.temperature.plausible_low": Default(-50.0, "degC", "below every rating of an outdoor device",
        _HERE, "own choice"),
    "limits.temperature.plausible_high": Default(100.0, "degC", "a detector that hot no longer works: the sensor is wrong",
        _HERE, "own choice"),
    "limits.counts.zero_probability": Default(1e-9, "",
        "one false alarm in 30 years of one-second readings; a run of zeros must last 20.7 / background seconds",
        "Poisson: P(0) = exp(-b t), ln 1e9 = 20.7", "computed"),
    "limits.counts.zero_least": Default(5.0, "s",
        "a poll or two that a gateway answers with zero is no dead detector; at 60 1/s the statistics alone would "
        "need 0.35 s", _HERE, "own choice"),
    "limits.counts.above_empty": Default(3.0, "%",
        "6.8 standard deviations of a 10 s mean at 5200 1/s; 20 K of detector temperature make 1 %", _BELT, "computed"),
    "limits.counts.frozen_after": Default(120.0, "s",
        "12 time constants of the usual 10 s; live counts repeat a value for a few seconds at most", _BELT, "computed"),
    "limits.current.measuring_low": Default(3.8, "mA", "lower end of the measuring range", _NE43, "second-hand"),
    "limits.current.measuring_high": Default(20.5, "mA", "upper end of the measuring range", _NE43, "second-hand"),
    "limits.current.failure_low": Default(3.6, "mA", "failure information at or below", _NE43, "second-hand"),
    "limits.current.failure_high": Default(21.0, "mA", "failure information at or above", _NE43, "second-hand"),
    "limits.current.confirm": Default(4.0, "s", "passes starts of devices and single bad samples",
        "quoted beside NAMUR NE 43, no value of the recommendation", "second-hand"),
    "limits.current.frozen_band": Default(0.002, "mA",
        "3.5 steps of a card with 27648 counts; count noise of the reference belt is 0.13 mA", _BELT, "computed"),
    "limits.current.frozen_after": Default(120.0, "s", "12 time constants of the usual 10 s", _BELT, "computed"),
    "limits.freshness.periods": Default(3.0, "", "one lost poll and one late poll are no loss of the link",
        _TRADE, "common practice"),
    "limits.freshness.fault_after": Default(30.0, "s",
        "longer than a restart of a gateway's connection, shorter than one point of a trend; at 420 t/h it hides 3.5 "
        "t", _HERE, "own choice"),
    "limits.freshness.coverage_suspect": Default(95.0, "%", "3 min an hour without readings", _HERE, "own choice"),
    "limits.freshness.coverage_fault": Default(80.0, "%",
        "12 min an hour without readings: totals by integration mean little", _HERE, "own choice"),
    "limits.freshness.clock_skew": Default(2.0, "s",
        "the time after which a second is closed; a later source time would put readings into the wrong second",
        _HERE, "own choice"),
    "limits.zero.suspect": Default(0.25, "%",
        "1.05 t/h on the reference belt, 0.1 % of the net counts: three standard errors of half an hour of empty belt",
        _BELT, "computed"),
    "limits.zero.fault": Default(0.5, "%",
        "2.1 t/h on the reference belt: 42 t a day over 20 running hours, 1 % of what it moves; one month of decay of "
        "Cs-137 that nobody compensates", _BELT, "computed"),
    "limits.zero.scatter": Default(0.05, "%",
        "0.5 t/h on the reference belt: 1 K of detector temperature at -0.05 %/K; drawn towards what the site shows",
        _HERE, "own choice"),
    "limits.zero.stale_after": Default(14.0 * 86400.0, "s",
        "a source of Cs-137 decays by 0.9 t/h meanwhile; belts are washed and changed within weeks", _HERE, "own choice"),
    "limits.decay.suspect": Default(0.05, "%", "a quarter of what Cs-137 loses in 30 days, 0.19 %", _BELT, "computed"),
    "limits.decay.fault": Default(0.1, "%",
        "half of what Cs-137 loses in 30 days; 30.05 y against 30.17 y of half-life is 0.0008 %", _BELT, "computed"),
    "limits.decay.clock": Default(86400.0, "s",
        "time zones and summer time stay below; a day of decay of Cs-137 is 0.07 t/h", _HERE, "own choice"),
    "limits.alerts.on_delay": Default(20.0, "s", "two blocks; 15 s is the starting value for flow", _ISA, "from memory"),
    "limits.alerts.off_delay": Default(120.0, "s",
        "an alert that comes and goes is raised at most once in 140 s, far from the three a minute that are called "
        "chattering; 15 s for flow and 60 s for temperature are starting values", _ISA, "from memory"),
}  # fmt: skip

_SITE: dict[str, Default] = {
    "site.close_after": Default(2.0, "s", "two polls of 1 s: what comes later would have missed its second",
        _HERE, "own choice"),
    "site.block": Default(10.0, "s",
        "one time constant of the usual damping: means of blocks are nearly independent, and a lag of a few seconds "
        "stays inside one block", _HERE, "own choice"),
    "site.web.port": Default(8460, "", "away from the ports of web servers (80, 8080), Modbus (502) and OPC UA (4840)",
        _HERE, "own choice"),
    "site.web.session_idle": Default(1800.0, "s", "time without an act after which somebody must sign in again",
        "NIST SP 800-63B (revision 3), 4.2.3, authenticator assurance level 2: 30 minutes", "from memory"),
    "site.web.session_longest": Default(43200.0, "s", "also the longest shift: one sign-in a shift",
        "NIST SP 800-63B (revision 3), 4.2.3, authenticator assurance level 2: 12 hours", "from memory"),
    "site.publish.fit_after": Default(60.0, "s",
        "six blocks that agree one after the other; a controller that changes over with each of them would wear its valve out",
        _HERE, "own choice"),
    "site.publish.opcua.port": Default(4840, "", "registered for OPC UA TCP", "OPC 10000-6, 7.4; IANA port numbers", "from memory"),
    "site.publish.modbus.port": Default(1502, "",
        "502 needs a right that the service does not have; forward 502 to it where a controller can do no other", _HERE,
        "own choice"),
    "site.publish.modbus.unit": Default(1, "", "what a client sends where nobody has set it", _TRADE, "common practice"),
    "site.alerting.reopen_within": Default(1800.0, "s",
        "a fault that goes away for a coffee break is the same fault; a chattering alert then asks once", _HERE, "own choice"),
    "site.alerting.remind_after": Default(1800.0, "s",
        "half of the shortest time in which 10 t/h book a truck of tonnes wrongly; once, not again", _HERE, "own choice"),
    "site.alerting.tolerable": Default(20.0, "t",
        "10 t/h for two hours: a walk to the gauge in the same shift is soon enough below it", _HERE, "own choice"),
    "site.alerting.operators": Default(1, "", "one control room; the yardsticks are for one operator", _ISA, "from memory"),
    "site.history.raw": Default(2.0 * YEAR_D * 86400.0, "s", "two stocktakings and two summers of temperature",
        _HERE, "own choice"),
    "site.history.minute": Default(35.0 * 86400.0, "s", "one calendar month and some days to look at it",
        _HERE, "own choice"),
    "loop.settle": Default(60.0, "s", "six time constants of the usual 10 s: 0.25 % of a step are left",
        "exp(-6)", "computed"),
    "loop.gauge.range.low": Default(0.0, "t/h", "4 mA, the live zero, is no flow", _TRADE, "common practice"),
    "loop.gauge.background": Default(0.0, "1/s", "entered as zero where the source was installed already",
        _TRADE, "common practice"),
    "loop.gauge.dead_time": Default(0.0, "s", "none is assumed where none is declared", _HERE, "own choice"),
    "loop.gauge.damping": Default(10.0, "s", "usual output filter of a belt weigher; noise is below 1 % of 420 t/h",
        "rate meter fluctuates like a count over 2 tau", "computed"),
    "loop.gauge.low_cutoff": Default(0.0, "t/h", "a cut-off hides drift of the zero and is assumed only where it is declared",
        _HERE, "own choice"),
    "loop.gauge.total.resolution": Default(0.1, "t", "usual digit of a totalizer that counts shifts",
        _TRADE, "common practice"),
    "loop.plc.range.low": Default(0.0, "t/h", "4 mA, the live zero, is no flow", _TRADE, "common practice"),
    "loop.plc.raw_span.low": Default(0.0, "count", "raw counts at 4 mA of a card with live zero", _TRADE, "common practice"),
    "loop.plc.raw_span.high": Default(27648.0, "count", "raw counts at 20 mA of a widespread kind of card",
        _TRADE, "common practice"),
    "loop.plc.filter": Default(0.0, "s", "none is assumed where none is declared", _HERE, "own choice"),
    "loop.plc.low_cutoff": Default(0.0, "t/h", "none is assumed where none is declared", _HERE, "own choice"),
    "loop.plc.total.resolution": Default(0.1, "t", "usual digit of a totalizer that counts shifts",
        _TRADE, "common practice"),
    "loop.plc.load_resistance": Default(250.0, "ohm", "turns 4 to 20 mA into 1 to 5 V", "IEC 60381-1 and -2", "from memory"),
    "loop.plc.supply_voltage": Default(24.0, "V", "usual supply of current loops", _TRADE, "common practice"),
    "loop.drive.nominal_frequency": Default(50.0, "Hz", "mains frequency of most plants; 60 Hz is written where it is that",
        _TRADE, "common practice"),
}  # fmt: skip

_ENDPOINTS: dict[str, Default] = {
    "modbus.baud": Default(19200, "", "default speed of the standard", f"{_SERIAL}, section 3.2", "from memory"),
    "modbus.stop_bits": Default(1, "", "with even parity a character has 11 bits",
        f"{_SERIAL}, section 2.5.1", "from memory"),
    "modbus.unit": Default(1, "", "first address of a device", f"{_SERIAL}, section 2.2", "from memory"),
    "modbus.period": Default(1.0, "s", "the grid of samples is one second", _HERE, "own choice"),
    "modbus.timeout": Default(0.4, "s", "two tries fit into a period of 1 s", _HERE, "own choice"),
    "modbus.join_gap": Default(8, "", "8 unused registers cost 16 bytes, another request at least 12 bytes and a turn-round",
        "length of a Modbus TCP request", "computed"),
    "modbus.max_registers": Default(125, "", "most registers of one read",
        "Modbus Application Protocol V1.1b3, section 6.3", "from memory"),
    "modbus.request_gap": Default(0.0, "s", "the standard asks for none on TCP", _HERE, "own choice"),
    "opcua.period": Default(1.0, "s", "the grid of samples is one second", _HERE, "own choice"),
    "opcua.timeout": Default(4.0, "s", "a session lives through a busy cycle of the PLC; readings are stale after 3 s anyway",
        _HERE, "own choice"),
    "mail.port": Default(587, "", "message submission", "RFC 6409, section 3.1", "from memory"),
}  # fmt: skip

DEFAULTS: dict[str, Default] = {**_LIMITS, **_SITE, **_ENDPOINTS}
"""Every default by its dotted name."""
