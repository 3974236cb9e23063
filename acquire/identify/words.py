"""Words that gauges print, and what they mean. Common practice of the trade, no source."""

import re
from typing import Literal

from drivers.line_settings import Flag

Meaning = tuple[str, str]
"""Quantity and unit."""

UNIT_WORDS: dict[str, tuple[Meaning, ...]] = {
    "N": (("force", "N"),),
    "kN": (("force", "kN"),),
    "mN": (("force", "mN"),),
    "kgf": (("force", "kgf"),),
    "gf": (("force", "gf"),),
    "lbf": (("force", "lbf"),),
    "lb": (("force", "lbf"),),
    "ozf": (("force", "ozf"),),
    "oz": (("force", "ozf"),),
    "kg": (("mass", "kg"), ("force", "kgf")),
    "g": (("mass", "g"), ("force", "gf")),
    "mg": (("mass", "mg"),),
    "GU": (("gloss", "GU"),),
    "degC": (("temperature", "degC"),),
    "\xb0C": (("temperature", "degC"),),
    "\xc2\xb0C": (("temperature", "degC"),),  # two bytes on the wire, where the text is UTF-8
    "C": (("temperature", "degC"),),
    "%RH": (("humidity", "%"),),
    "% RH": (("humidity", "%"),),
    "RH": (("humidity", "%"),),
    "%": (("humidity", "%"),),
    "W/m2": (("irradiance", "W/m2"),),
    "W/m^2": (("irradiance", "W/m2"),),
    "W/m\xb2": (("irradiance", "W/m2"),),
    "mW/cm2": (("irradiance", "mW/cm2"),),
    "mW/cm^2": (("irradiance", "mW/cm2"),),
    "mW/cm\xb2": (("irradiance", "mW/cm2"),),
}
"""Unit on the wire -> what it can mean, the likeliest first. A word with two meanings is asked about."""

for _word in ("kN", "kgf", "gf", "lbf", "lb", "ozf", "oz", "kg", "g", "degC", "%RH"):
    UNIT_WORDS.setdefault(_word.upper(), UNIT_WORDS[_word])
UNIT_WORDS.setdefault("gu", UNIT_WORDS["GU"])
UNIT_WORDS.setdefault("%rh", UNIT_WORDS["%RH"])

LABELS_TOO = {"C", "G", "RH"}
"""Unit words that are as likely to be a label when they stand in front of a number."""

_LETTER = r"A-Za-z\xb0\xc2%"
UNIT = re.compile(
    rf"(?<![{_LETTER}])(?:"
    + "|".join(re.escape(word) for word in sorted(UNIT_WORDS, key=len, reverse=True))
    + rf")(?![{_LETTER}\d])"
)
"""A unit that stands by itself in a text (bytes decoded as Latin-1)."""

FLAG_WORDS: dict[str, tuple[Flag, ...]] = {
    **dict.fromkeys(["", " ", "-", "_", ".", "S", "ST", "OK", "STABLE", "GOOD", "R", "A", "0"], ()),
    **dict.fromkeys(["U", "US", "?", "~", "MV", "MOVE", "UNST", "D", "M"], ("unstable",)),
    **dict.fromkeys(["O", "OL", "OVER", "OVL", "OF", "OVF", "O.L", "OVERLOAD"], ("overload",)),
    **dict.fromkeys(["B", "L", "LB", "LO", "BAT", "LOBAT", "LOW"], ("low battery",)),
    **dict.fromkeys(["E", "ER", "ERR", "ERROR", "F", "FAIL"], ("fault",)),
}
"""Word of state, in capitals -> what it says of the value."""

PLAIN_STATES = {"S", "ST", "OK", "STABLE", "GOOD", "U", "US", "MV", "UNST"}
"""Words of state that are taken for one even where they never change."""

PEAK_WORDS = {"PEA", "PEAK", "PK", "MAX", "MIN", "HOLD", "HLD", "PKHOLD"}
NO_NUMBER = re.compile(r"[+-]? *(?:(?P<word>[A-Z.]{1,8})|(?P<dashes>[-_=.*]{3,}))(?: +[A-Za-z/%2]+)?")

LABEL_WORDS: dict[
    str, Literal["force", "gloss", "count", "temperature", "humidity", "mass", "irradiance"]
] = {
    **dict.fromkeys(["F", "FORCE", "LOAD", "PULL", "KRAFT", "PUSH", "MEAS"], "force"),
    **dict.fromkeys(["G", "GLOSS", "GLANZ", "GL"], "gloss"),
    **dict.fromkeys(
        ["N", "S", "CNT", "COUNT", "STROKES", "STROKE", "CYCLES", "CYC", "C", "COUNTER"], "count"
    ),
    **dict.fromkeys(["T", "TEMP", "TEMPERATURE"], "temperature"),
    **dict.fromkeys(["RH", "H", "HUM"], "humidity"),
    **dict.fromkeys(["W", "M", "WT", "MASS", "NET"], "mass"),
    **dict.fromkeys(["UV", "UVA", "UVB", "E", "IRR"], "irradiance"),
}
"""Label in front of a number without unit -> what it probably measures. Always asked about."""

ANGLES = {"20", "45", "60", "75", "85"}
GLOSS_ANGLES = ["20", "60", "85"]
"""The three geometries of ISO 2813 (from memory); a glossmeter that prints one of them may print all."""


def flag_meaning(word: str) -> tuple[Flag, ...] | None:
    """What a word of state says; None if it is not a usual one."""
    return FLAG_WORDS.get(word if not word.strip() else word.strip().upper())
