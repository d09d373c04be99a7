"""The units a site file may use: spellings, offered units, UN/CEFACT codes.

A count, a per cent and a turn of a source are told apart from a bare number here: the registry gives `count`, `%` and `Bq`
dimensions of their own, so that a count rate is never read from a frequency and a share never from a count.
"""

from __future__ import annotations

YEAR_D = 365.2422
"""Length of a year [d]: mean tropical year, the one the package radioactivedecay uses; every year in the program is this."""

DEFINITIONS = (
    "belt_count = [count]",
    "belt_percent = [share]",
    "belt_becquerel = [activity]",
    "belt_curie = 37000000000 * belt_becquerel",
    "belt_year = 3652422 / 10000 * day",
)
"""Units added to the registry, with dimensions that the trade keeps apart."""

ATOMS: dict[str, str] = {
    # mass
    "kg": "kilogram", "g": "gram", "t": "metric_ton", "tonne": "metric_ton", "tonnes": "metric_ton",
    "metric_ton": "metric_ton", "metric_tons": "metric_ton", "lb": "pound", "lbs": "pound", "pound": "pound",
    "pounds": "pound", "short_ton": "short_ton", "short_tons": "short_ton", "long_ton": "long_ton", "long_tons": "long_ton",
    # length and area
    "m": "meter", "mm": "millimeter", "cm": "centimeter", "km": "kilometer", "in": "inch", "inch": "inch", "ft": "foot",
    "foot": "foot", "feet": "foot", "m2": "meter**2", "m²": "meter**2", "cm2": "centimeter**2", "cm²": "centimeter**2",
    # time
    "s": "second", "sec": "second", "ms": "millisecond", "us": "microsecond", "µs": "microsecond", "μs": "microsecond",
    "min": "minute", "h": "hour", "hr": "hour", "d": "day", "day": "day", "days": "day", "week": "week", "weeks": "week",
    "year": "belt_year", "years": "belt_year",
    # temperature
    "degC": "degC", "°C": "degC", "degF": "degF", "°F": "degF", "K": "kelvin",
    # electricity and frequency
    "mA": "milliampere", "A": "ampere", "uA": "microampere", "µA": "microampere", "V": "volt", "mV": "millivolt",
    "ohm": "ohm", "Ohm": "ohm", "Ω": "ohm", "kohm": "kiloohm", "Hz": "hertz", "kHz": "kilohertz",
    # counts, shares, activity
    "count": "belt_count", "counts": "belt_count", "%": "belt_percent", "percent": "belt_percent",
    "Bq": "belt_becquerel", "MBq": "megabelt_becquerel", "GBq": "gigabelt_becquerel", "TBq": "terabelt_becquerel",
    "Ci": "belt_curie", "mCi": "millibelt_curie",
}  # fmt: skip
"""Spelling of one unit (no quotient) and its name in the registry."""

WHOLE: dict[str, str] = {
    "1/s": "belt_count/second",
    "/s": "belt_count/second",
    "s-1": "belt_count/second",
    "cps": "belt_count/second",
    "c/s": "belt_count/second",
    "1/min": "belt_count/minute",
    "cpm": "belt_count/minute",
}
"""Spellings that are not a quotient of atoms."""

WORDS = {"short ton": "short_ton", "long ton": "long_ton", "metric ton": "metric_ton"}
"""Names of two words; a plural s is kept."""

OFFERED: tuple[str, ...] = (
    "t/h", "kg/s", "kg/h", "kg/min", "lb/min", "lb/h", "short_ton/h", "long_ton/h",
    "t", "kg", "lb", "short_ton", "long_ton",
    "kg/m", "lb/ft", "kg/m2", "g/cm2",
    "m/s", "m/min", "ft/min",
    "1/s", "cps", "counts/s", "cpm", "count",
    "s", "ms", "us", "min", "h", "d", "year",
    "m", "mm", "in", "ft",
    "degC", "degF", "K", "K/min", "degC/min", "degF/min", "K/h",
    "mA", "V", "mV", "ohm", "Hz", "%", "MBq", "GBq", "Ci",
)  # fmt: skip
"""Units named in messages, in this order."""

UNECE_CODES: dict[str, str] = {
    "t/h": "E18", "kg/h": "E93", "kg/s": "KGS", "short_ton/h": "4W", "lb/h": "4U",
    "kg": "KGM", "t": "TNE", "lb": "LBR", "short_ton": "STN", "long_ton": "LTN",
    "degC": "CEL", "degF": "FAH", "K": "KEL", "kg/m": "KL", "m/s": "MTS", "ft/min": "FR",
    "m": "MTR", "mm": "MMT", "in": "INH", "ft": "FOT",
    "mA": "4K", "V": "VLT", "mV": "2Z", "ohm": "OHM", "Hz": "HTZ", "1/s": "C97", "%": "P1",
    "s": "SEC", "min": "MIN", "h": "HUR", "d": "DAY", "MBq": "4N", "GBq": "GBQ",
}  # fmt: skip
"""UNECE Recommendation 20 common codes. OPC UA Part 8, clause 5.6.3, makes the unit id from the characters."""
