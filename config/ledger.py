"""The reference ledger: what was weighed, tared and calibrated by hand, as the ledger file says it.

Moments without a zone are local time of the site. Reading the file is the work of `config.ledger_file`.
"""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from config.quantity import LengthM, LoadKgM, MassT, Percent, RateS, SpeedMS, TempC


def _moment(value: object) -> datetime:
    if isinstance(value, datetime):
        return value
    text = str(value).strip().replace(" ", "T", 1)
    wrong = f"{str(value)!r} is no moment: write day and time, as in 2026-05-04 06:10 (local) or 2026-05-04T06:10Z"
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(wrong) from None
    if "T" not in text:
        raise ValueError(wrong)
    return moment


def _word(value: object) -> str:
    return format(value, "g") if isinstance(value, float) else str(value)


Moment = Annotated[datetime, BeforeValidator(_moment), WithJsonSchema({"type": "string", "examples": ["2026-05-04 06:10"]})]
Word = Annotated[str, BeforeValidator(_word)]
"""A text that may look like a number, such as a grade code."""


class _Entry(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    loop: str
    begin: Moment
    end: Moment
    product: Word = ""
    method: str = ""
    source: Word = ""
    note: Word = ""


class MaterialTestEntry(_Entry):
    """A lot whose tonnes were weighed by something else. `uncertainty` is that of the reference, expanded (k = 2)."""

    reference: MassT
    uncertainty: MassT
    gauge: MassT | None = None
    moisture: Percent | None = None
    factor_before: float | None = Field(default=None, gt=0.0)
    factor_after: float | None = Field(default=None, gt=0.0)


class TareEntry(_Entry):
    """A tare: gross count rates of the empty belt, the one that was in force and the one that was found."""

    rate: RateS
    rate_before: RateS | None = None
    turns: float | None = Field(default=None, ge=0.0)
    speed: SpeedMS | None = None
    detector_temperature: TempC | None = None


class SpanEntry(_Entry):
    """A calibration run over a known mass or a known load (reference absorber, chain, test weights)."""

    mass: MassT | None = None
    load: LoadKgM | None = None
    uncertainty: Percent | None = None
    gauge: MassT | None = None
    gauge_load: LoadKgM | None = None
    rate: RateS | None = None
    speed: SpeedMS | None = None
    belt_length: LengthM | None = None
    factor_before: float | None = Field(default=None, gt=0.0)
    factor_after: float | None = Field(default=None, gt=0.0)


class Ledger(BaseModel):
    """Everything in the ledger file, in its order."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    material_tests: tuple[MaterialTestEntry, ...] = ()
    tares: tuple[TareEntry, ...] = ()
    spans: tuple[SpanEntry, ...] = ()


KINDS: dict[str, str] = {"material_test": "material_tests", "tare": "tares", "span": "spans"}
"""Word in the column `kind` of a CSV ledger, and the list it belongs to."""

ENTRIES: dict[str, type[BaseModel]] = {"material_tests": MaterialTestEntry, "tares": TareEntry, "spans": SpanEntry}
