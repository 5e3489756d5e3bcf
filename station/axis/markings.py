"""Capacitances as people and parts write them: farads, 0.33uF, 330n, 334K, 4n7.

Codes as in IEC 60062: three digits are two figures and a power of ten in picofarads, a letter in place of the decimal point gives the
unit, one last letter the tolerance (from memory; checked values in the tests).
"""

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from station.errors import MarkingError

EXPECTED: Final = "farads as 3.3e-7, a value as 0.33uF, 330n or n33, or a code as 334 or 334K; 0 or none for no part"
LIMIT_F: Final = 1e-3  # the same bound as stock.values_f of a specification: nobody solders more to a stick
PICO: Final = 1e-12
EXPONENTS: Final = {"R": -12, "p": -12, "n": -9, "u": -6}  # R, the plain decimal point, counts picofarads on capacitors (common marking)
# IEC 60062, relative letters (from memory).
LETTERS: Final = {"F": (-0.01, 0.01), "G": (-0.02, 0.02), "J": (-0.05, 0.05), "K": (-0.10, 0.10), "M": (-0.20, 0.20), "Z": (-0.20, 0.80)}
# IEC 60062, letters in picofarads for parts below 10 pF (from memory).
LETTERS_F: Final = {"B": 0.1 * PICO, "C": 0.25 * PICO, "D": 0.5 * PICO}
SHOWN_AS_MICRO_F: Final = 0.999e-7  # benches label 100 nF as 0.1 uF (common practice, no source)
SMALL_F: Final = 10.0 * PICO
TENS: Final = {"8": -2, "9": -1}  # third figures 8 and 9 stand for 0.01 and 0.1 (common marking, from memory); 7 and below for themselves

_TOLERANCE = r"(?:\s*(?P<letter>[BCDFGJKMZ])|\s*(?:\+/-|±)?\s*(?P<percent>\d+(?:\.\d+)?)\s*%)?"
_CODE = re.compile(r"(?P<figures>\d{2})(?P<tens>\d)" + _TOLERANCE)
_VALUE = re.compile(r"(?P<number>(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(?:(?P<unit>[pnu])F?|(?P<farad>F))" + _TOLERANCE)
_POINT = re.compile(r"(?P<whole>\d{0,3})(?P<unit>[pnuR])(?P<part>\d{1,3})F?" + _TOLERANCE)
_FARADS = re.compile(r"\d*\.\d+(?:[eE][+-]?\d+)?|\d+\.?[eE][+-]?\d+|\d+\.")
_NONE = re.compile(r"0+(?:\.0*)?(?:[eE][+-]?\d+)?\s*[pnu]?F?|none", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Part:
    """A capacitor as read: farads (0.0 is none) and the tolerance as shares, (-0.1, 0.1) for K; None where nothing was said."""

    capacitance_f: float
    tolerance_low: float | None = None
    tolerance_high: float | None = None


def parse_capacitance(text: str) -> Part:
    """Part from what was typed, scanned or printed. Raises MarkingError naming the text and what was expected."""
    plain = text.strip().replace("µ", "u").replace("μ", "u")
    if _NONE.fullmatch(plain):
        return Part(0.0)
    for pattern, read in ((_FARADS, _from_farads), (_CODE, _from_code), (_VALUE, _from_value), (_POINT, _from_point)):
        match = pattern.fullmatch(plain)
        if match:
            return _checked(text, read(text, match), match)
    raise MarkingError(f"capacitance {text!r} cannot be read; expected {EXPECTED}", value=text)


def _from_farads(text: str, match: re.Match[str]) -> float:
    return float(match[0])


def _from_code(text: str, match: re.Match[str]) -> float:
    if match["figures"][0] == "0":
        raise MarkingError(f"capacitance code {text!r} begins with 0; expected two figures from 10 to 99 and a power of ten", value=text)
    return _scaled(match["figures"], TENS.get(match["tens"], int(match["tens"])) - 12)


def _from_value(text: str, match: re.Match[str]) -> float:
    return _scaled(match["number"], 0 if match["farad"] else EXPONENTS[match["unit"]])


def _from_point(text: str, match: re.Match[str]) -> float:
    """A letter in place of the decimal point: 4n7, n33, 3u3, 4R7."""
    return _scaled(f"{match['whole']}.{match['part']}", EXPONENTS[match["unit"]])


def _scaled(number: str, exponent: int) -> float:
    """A decimal number times a power of ten, rounded once, so that '334' and '0.33uF' are the same float as 3.3e-07."""
    return float(Decimal(number).scaleb(exponent))


def _checked(text: str, farads: float, match: re.Match[str]) -> Part:
    if not 0.0 < farads < LIMIT_F:
        raise MarkingError(f"capacitance {text!r} is {farads:g} F; expected more than 0 and less than {LIMIT_F:g} F", value=text)
    low, high = _tolerance(text, farads, match.groupdict())
    return Part(farads, low, high)


def _tolerance(text: str, farads: float, found: dict[str, str | None]) -> tuple[float | None, float | None]:
    letter, percent = found.get("letter"), found.get("percent")
    if percent is not None:
        return -float(percent) / 100.0, float(percent) / 100.0
    if letter is None:
        return None, None
    if letter in LETTERS:
        return LETTERS[letter]
    if farads >= SMALL_F:
        raise MarkingError(
            f"tolerance letter {letter} of {text!r} is for parts below 10 pF; expected one of {', '.join(LETTERS)}", value=text
        )
    return -LETTERS_F[letter] / farads, LETTERS_F[letter] / farads


def marking_of(farads: float) -> str:
    """Code printed on the part: '334'; '4R7' below 10 pF; letter form '125n' where two figures do not suffice; 'none' for 0.0.

    Raises MarkingError for a negative or impossible capacitance.
    """
    if farads == 0.0:
        return "none"
    if not PICO / 10 <= farads < LIMIT_F:
        raise MarkingError(f"capacitance {farads:g} F has no marking; expected 0 or between {PICO / 10:g} and {LIMIT_F:g} F", value=farads)
    figures, exponent = _figures(farads)
    if len(figures) > 2:
        return _letter_form(farads)
    tens = exponent + 12 - 1
    if tens >= 0:
        return f"{figures:0<2}{tens}"
    return (f"{figures[0]}R{figures[1:] or '0'}") if tens == -1 else f"R{figures:0<2}"


def _figures(farads: float) -> tuple[str, int]:
    """Significant figures (at most six, no trailing zeros) and the exponent of the first one."""
    mantissa, exponent = f"{farads:.5e}".split("e")
    return mantissa.replace(".", "").rstrip("0"), int(exponent)


def _letter_form(farads: float) -> str:
    unit = _unit_of(farads)
    whole, _, part = f"{farads / 10.0 ** EXPONENTS[unit]:.6g}".partition(".")
    return f"{'' if whole == '0' else whole}{unit}{part}"


def _unit_of(farads: float) -> str:
    return "u" if farads >= 1e-6 else "n" if farads >= 1e-9 else "p"


def pretty(farads: float) -> str:
    """For people: '0.33 uF', '47 nF', '4.7 pF'; 'none' for 0.0."""
    if farads == 0.0:
        return "none"
    name = "u" if farads >= SHOWN_AS_MICRO_F else _unit_of(farads)
    return f"{farads / 10.0 ** EXPONENTS[name]:.4g} {name}F"
