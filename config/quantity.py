"""Typed quantities of the site file: one string with number and unit, held inside as a float in one unit.

`FlowTH` is a float in t/h that is written `420 t/h` in the site file. A bare number is refused there, with the units it
could have; a model built in Python passes floats that are already in the unit of the field.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import BeforeValidator, Field, ValidationInfo, WithJsonSchema

from config.units import parse_quantity


@dataclass(frozen=True, slots=True)
class Unit:
    """Marks a field as a quantity carried in this unit."""

    symbol: str


def _reader(unit: str, *, bare: bool = False) -> BeforeValidator:
    def read(value: object, info: ValidationInfo) -> float:
        from_file = bool(info.context and info.context.get("from_file"))
        return parse_quantity(value, unit, allow_bare=bare or not from_file)

    return BeforeValidator(read)


def _shown(unit: str, example: str) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "examples": [example], "description": f"number and unit ({unit})"})


FlowTH = Annotated[float, _reader("t/h"), Field(allow_inf_nan=False), Unit("t/h"), _shown("t/h", "420 t/h")]
MassT = Annotated[float, _reader("t"), Field(allow_inf_nan=False), Unit("t"), _shown("t", "0.1 t")]
LoadKgM = Annotated[float, _reader("kg/m"), Field(allow_inf_nan=False), Unit("kg/m"), _shown("kg/m", "38 kg/m")]
SpeedMS = Annotated[float, _reader("m/s"), Field(allow_inf_nan=False), Unit("m/s"), _shown("m/s", "1.9 m/s")]
RateS = Annotated[float, _reader("1/s"), Field(allow_inf_nan=False), Unit("1/s"), _shown("1/s", "5200 1/s")]
TimeS = Annotated[float, _reader("s"), Field(allow_inf_nan=False), Unit("s"), _shown("s", "10 s")]
LengthM = Annotated[float, _reader("m"), Field(allow_inf_nan=False), Unit("m"), _shown("m", "240 m")]
CurrentMA = Annotated[float, _reader("mA"), Field(allow_inf_nan=False), Unit("mA"), _shown("mA", "4 mA")]
TempC = Annotated[float, _reader("degC"), Field(allow_inf_nan=False), Unit("degC"), _shown("degC", "55 degC")]
TempRateKMin = Annotated[float, _reader("K/min"), Field(allow_inf_nan=False), Unit("K/min"), _shown("K/min", "2 K/min")]
VoltV = Annotated[float, _reader("V"), Field(allow_inf_nan=False), Unit("V"), _shown("V", "24 V")]
Percent = Annotated[float, _reader("%"), Field(allow_inf_nan=False), Unit("%"), _shown("%", "0.5 %")]
ResistanceOhm = Annotated[float, _reader("ohm"), Field(allow_inf_nan=False), Unit("ohm"), _shown("ohm", "250 ohm")]

ActivityBq = Annotated[float, _reader("Bq"), Field(allow_inf_nan=False), Unit("Bq"), _shown("Bq", "1.85 GBq")]

FrequencyHz = Annotated[
    float,
    _reader("Hz", bare=True),
    Field(allow_inf_nan=False),
    Unit("Hz"),
    WithJsonSchema({"type": ["string", "number"], "examples": ["50 Hz"], "description": "number and unit (Hz)"}),
]
"""The one quantity that may also be a bare number, which is in Hz: nobody gives a mains frequency in anything else."""
