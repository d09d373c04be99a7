"""Every cause has a formula, and the numbers in the formulas are those of the conveyor that they are stated for."""

from __future__ import annotations

import math
import re

import pytest

from checks.causes import families, registry
from checks.causes.cause import Cause, FailureMode, Signal
from checks.causes.signatures import SIGNATURES, SYMBOLS, letters_in

CAUSES = list(registry().values())
RANGE, K, EMPTY, BACKGROUND = 420.0, 1052.0, 5200.0, 60.0
NET = EMPTY - BACKGROUND


@pytest.mark.parametrize("cause", CAUSES, ids=lambda cause: cause.id)
def test_cause_has_signature_three_checks_links_signal_and_mode(cause: Cause) -> None:
    assert len(cause.signature) > 25
    assert len(cause.checks) == 3
    assert cause.links
    assert isinstance(cause.signal, Signal)
    assert isinstance(cause.mode, FailureMode)
    assert cause.signature == SIGNATURES[cause.id]


def test_signatures_and_catalogue_have_the_same_ids_and_families_hold_each_cause_once() -> None:
    assert set(SIGNATURES) == set(registry())
    assert [cause.id for _, causes in families() for cause in causes] == list(registry())


@pytest.mark.parametrize("cause", CAUSES, ids=lambda cause: cause.id)
def test_signature_is_a_formula_with_a_unit_or_a_pure_number(cause: Cause) -> None:
    assert re.search(r"[=<>]", cause.signature)
    assert re.search(r"t/h|mA|1/s|kg/m|%|\[s\]|\[1\]|\d", cause.signature)


@pytest.mark.parametrize(
    ("cause", "number", "value"),
    [
        ("live-zero-mix", "84 t/h", 0.2 * RANGE),
        ("over-range", "433 t/h", RANGE * 16.5 / 16.0),
        ("open-loop", "-105 t/h", -4.0 / 16.0 * RANGE),
        ("current-offset", "2.1 t/h", 0.08 / 16.0 * RANGE),
        ("compliance-ceiling", "16.67 mA", 1000.0 * (17.5 - 10.0) / 450.0),
        ("compliance-ceiling", "332 t/h", RANGE * (1000.0 * 7.5 / 450.0 - 4.0) / 16.0),
        ("square-root", "130", RANGE * math.sqrt(40.0 / RANGE)),
        ("square-root", "330", RANGE * math.sqrt(260.0 / RANGE)),
        ("current-leak", "3.951 mA", 4.0 * 20_000.0 / 20_250.0),
        ("raw-overflow", "922 t/h", RANGE * 60672.0 / 27648.0),
        ("burnout-value", "498", RANGE * 32767.0 / 27648.0),
        ("zero-clamp", "0.40", 1.0 / math.sqrt(2.0 * math.pi)),
        ("low-cutoff", "8.4 t/h", 0.02 * RANGE),
        ("detector-drift", "10.5 t/h", 0.01 * K),
        ("decay-off", "2.0 t/h", K * math.log(2.0) / 30.05 / 12.0),
        ("nuclide-or-clock", "2.2 t/h", K * (math.log(2.0) / 5.271 - math.log(2.0) / 30.05) * 7.0 / 365.25),
        ("shutter-part-open", "21 t/h", -K * math.log(0.98)),
        ("shutter-part-open", "111 t/h", -K * math.log(0.9)),
        ("source-changed", "355 t/h", K * math.log(7200.0 / NET)),
        ("background", "6.1 t/h", K * 30.0 / NET),
        ("detector-temperature", "10.6 t/h", -K * math.log(1.0 - 0.01)),
        ("belt-slip", "0.982", 160.0 / 163.0),
        ("speed-held", "108 t", 260.0 * 25.0 / 60.0),
        ("wet-dry-basis", "2.04 %", 100.0 * (1.0 / 0.98 - 1.0)),
        ("counts-frozen", "2 tau", 2.0),
        ("zero-counts", "20.7", -math.log(1e-9)),
    ],
)
def test_number_of_a_signature_follows_from_the_conveyor(cause: str, number: str, value: float) -> None:
    """Derived here from range 0 to 420 t/h, K = 1052 t/h per neper, 5200 counts/s; half-lives 30.05 and 5.271 a."""
    text = SIGNATURES[cause]
    assert number in text
    shown = float(re.search(r"-?\d+(?:\.\d+)?", number)[0])  # type: ignore[index]
    digits = len(number.split(" ", maxsplit=1)[0].partition(".")[2])
    assert shown == pytest.approx(value, abs=0.51 * 10.0**-digits)


def test_letters_of_a_formula_are_explained() -> None:
    assert [name for name, _ in SYMBOLS[:2]] == ["F, M_g", "P, M_p"]
    assert set(letters_in("P = 0.8 F [t/h]")) == {"F, M_g", "P, M_p"}
    assert "lambda" in letters_in(SIGNATURES["decay-off"])
