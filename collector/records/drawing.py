"""Lines, texts and signs of the pictures of a record, as SVG with presentation attributes only: no style sheet is needed."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup, escape

from checks.result import Verdict

FONT = "DejaVu Sans, Liberation Sans, sans-serif"


def mark(verdict: Verdict, x: float, y: float) -> Markup:
    """The sign of a verdict: circle, triangle, cross, dashed circle."""
    shapes = {
        Verdict.OK: Markup('<circle cx="{0}" cy="{1}" r="5" fill="none" stroke="#000" stroke-width="1.6"/>'),
        Verdict.SUSPECT: Markup(
            '<path transform="translate({0} {1})" d="M0 -6L6 5H-6Z" fill="none" stroke="#000" stroke-width="1.4"/>'
        ),
        Verdict.FAULT: Markup(
            '<path transform="translate({0} {1})" d="M-5 -5L5 5M5 -5L-5 5" stroke="#000" stroke-width="2.4"/>'
        ),
        Verdict.NOT_EVALUATED: Markup(
            '<circle cx="{0}" cy="{1}" r="5" fill="none" stroke="#000" stroke-width="1" stroke-dasharray="2 2"/>'
        ),
    }
    return shapes[verdict].format(rounded(x), rounded(y))


def svg(width: float, height: float, parts: Sequence[Markup], label: str) -> Markup:
    """A whole picture; `label` says in words what it shows."""
    head = Markup(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {} {}" width="{}" role="img" aria-label="{}" font-family="{}">'
    )
    return head.format(rounded(width), rounded(height), rounded(width), label, FONT) + Markup("").join(parts) + Markup("</svg>")


def text(x: float, y: float, words: str, size: float, anchor: str, *, bold: bool = False) -> Markup:
    """A text at x, y."""
    weight = Markup(' font-weight="bold"') if bold else ""
    return Markup('<text x="{}" y="{}" font-size="{}" text-anchor="{}"{}>{}</text>').format(
        rounded(x), rounded(y), size, anchor, weight, escape(words)
    )


def line(x: float, y: float, x2: float, y2: float, stroke: str = "#000", width: float = 1.0, dash: str = "") -> Markup:
    """A straight line."""
    dashes = Markup(' stroke-dasharray="{}"').format(dash) if dash else ""
    return Markup('<line x1="{}" y1="{}" x2="{}" y2="{}" stroke="{}" stroke-width="{}"{}/>').format(
        rounded(x), rounded(y), rounded(x2), rounded(y2), stroke, width, dashes
    )


def rect(x: float, y: float, width: float, height: float, fill: str, line: float = 0.7, dash: str = "") -> Markup:
    """A rectangle."""
    dashes = Markup(' stroke-dasharray="{}"').format(dash) if dash else ""
    return Markup('<rect x="{}" y="{}" width="{}" height="{}" fill="{}" stroke="#000" stroke-width="{}"{}/>').format(
        rounded(x), rounded(y), rounded(width), rounded(height), fill, line, dashes
    )


def wrapped(words: str, signs: int) -> list[str]:
    """Words in lines of at most so many signs; a longer word keeps its line."""
    out: list[str] = []
    for word in words.split():
        if out and len(out[-1]) + 1 + len(word) <= signs:
            out[-1] += f" {word}"
        else:
            out.append(word)
    return out or [""]


def rounded(value: float) -> str:
    """A length to a tenth of a unit."""
    return f"{value:.1f}"
