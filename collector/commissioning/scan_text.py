"""A scan for a terminal of 80 columns: what fits the site first, then every register that answered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from collector.commissioning.decodings import WIDTHS, decode
from collector.commissioning.paste import tag_lines
from collector.commissioning.registers import runs
from collector.commissioning.scan import Scanned, Span
from collector.commissioning.scan_match import KINDS, SANE, Match
from collector.commissioning.survey_text import number
from collector.replay.text import WIDTH, wrapped
from config.cautions import caution_text
from config.model import ByteOrder, WireType
from config.roles import ROLES

ZEROS = 4
"""So many registers without a value in a row are put into one line."""
WIDE = (WireType.FLOAT32, WireType.INT32)


def text(
    found: Scanned, fitting: Sequence[Match], *, flows: Mapping[str, float | None], unit: int, rate: float, raw: bool = False
) -> str:
    """The scan; with `raw` every register in every order, also where it makes no number of a plant."""
    asked = found.last - found.first + 1
    lines = wrapped(
        f"{found.endpoint}, unit {found.unit}, {found.table} registers {found.first} to {found.last}: {len(found.words)} of {asked} answered, "
        f"{found.requests} requests, at most {rate:g} a second; nothing was written"
    )
    if found.ended:
        lines += wrapped(found.ended, first="! ", rest="  ")
    if found.unread:
        lines += wrapped(
            f"not asked for: {_spans(found.unread)}; go on with --scan {found.unread[0][0]}-{found.last}", first="! ", rest="  "
        )
    if found.refused:
        least = (
            ""
            if found.least == 1
            else f"; fewer than {3 * found.least} in a row that stand alone may be missed, --fine finds them"
        )
        lines += wrapped(f"not there: {_spans(found.refused)}{least}")
    for loop, flow in flows.items():
        if flow is None:
            lines += wrapped(
                f"{loop}: no two other stations show the same flow, or the belt is empty: scan again with load on the belt.",
                first="! ",
                rest="  ",
            )
    lines += ["", *_fitting(found, fitting, unit)]
    named = {match.address: f"{match.loop} {match.role}" for match in reversed(fitting)}
    if found.words:
        lines += [
            "",
            f"{'addr':>5}  {'hex':<4} {'uint16':>6} {'int16':>6}  two registers from here on, where a number",
            "-" * WIDTH,
        ]
    for start, words in runs(found.words):
        lines += _run(start, words, named, fitting, raw=raw)
    if fitting:
        lines += ["", *caution_text(WIDTH).splitlines()]
    return "\n".join(lines) + "\n"


def _fitting(found: Scanned, fitting: Sequence[Match], unit: int) -> list[str]:
    if not found.words:
        return ["No register answered."]
    if not fitting:
        return wrapped(
            "Nothing here fits what the site knows. Read a value on the display and try `tallywire locate`, or scan the other table or range."
        )
    lines = wrapped("What fits what the site knows; look at each before you take it over:")
    for match in fitting:
        shown = f"{match.value:.6g} {ROLES[match.role].unit}".rstrip()
        lines += wrapped(f"{match.loop} {match.role}: {shown}; {match.because}", first="* ", rest="  ")
        lines += tag_lines(match.role, match.fields(found, unit))
    return lines


def _run(start: int, words: list[int], named: Mapping[int, str], fitting: Sequence[Match], *, raw: bool) -> list[str]:
    lines: list[str] = []
    place = 0
    while place < len(words):
        zeros = 0
        while place + zeros < len(words) and words[place + zeros] == 0 and start + place + zeros not in named:
            zeros += 1
        if zeros >= ZEROS and not raw:
            lines.append(f"{start + place:>5} to {start + place + zeros - 1}: all zero")
            place += zeros
            continue
        lines += _register(start + place, words[place:], named, fitting, raw=raw)
        place += 1
    return lines


def _register(address: int, words: list[int], named: Mapping[int, str], fitting: Sequence[Match], *, raw: bool) -> list[str]:
    word = words[0]
    signed = int(decode(words, 0, WireType.INT16, ByteOrder.ABCD))
    head = f"{address:>5}  {word:04x} {word:>6} {signed if signed != word else '':>6}  "
    said = []
    for kind in WIDE:
        for order in ByteOrder:
            value = decode(words[: WIDTHS[kind]], 0, kind, order)
            star = any((item.address, item.type, item.order) == (address, kind, order) for item in fitting)
            sane = SANE[0] <= abs(value) <= SANE[1]
            if star or sane or (raw and value == value):
                said.append(f"{'*' if star else ''}{kind.value if kind in KINDS else kind} {order.value} {number(value)}")
    if address in named:
        said.append(f"<- {named[address]}")
    return wrapped("  ".join(said), first=head, rest=" " * len(head)) if said else [head.rstrip()]


def _spans(spans: Sequence[Span]) -> str:
    shown = ", ".join(f"{start}" if start == end else f"{start}-{end}" for start, end in spans[:8])
    return shown + (f" and {len(spans) - 8} more" if len(spans) > 8 else "")
