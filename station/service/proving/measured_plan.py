"""What a procedure was asked for, key by key: every value is checked, and what is left out has its default. Pure."""

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from station.errors import UsageError
from station.service.proving.course import SpecificationOf
from station.specification import Specification

FLICKS: Final = 8  # of every group: the mean of so many is three times steadier than one flick, and a measurement takes 12 s
FLICKS_MOST: Final = 200
NAME_MOST: Final = 80
MISSING: Final = object()


def refused(key: str, value: object, expected: str) -> UsageError:
    """The error for a key that cannot be so."""
    shown = "is missing" if value is MISSING or value is None else f"is {str(value)[:NAME_MOST]!r}"
    return UsageError(f"plan: {key} {shown}; expected {expected}", key=key)


def require_keys(asked: Mapping[str, Any], known: Sequence[str]) -> None:
    """Raises UsageError for a key that means nothing here."""
    for key in asked:
        if key not in known:
            raise refused(str(key), asked[key], "one of the keys " + ", ".join(known))


def name_of(asked: Mapping[str, Any], key: str, expected: str, default: str = "") -> str:
    """A name, blanks around it taken off."""
    value = asked.get(key, default or MISSING)
    if not isinstance(value, str) or not 1 <= len(value.strip()) <= NAME_MOST:
        raise refused(key, value, expected)
    return value.strip()


def whole(asked: Mapping[str, Any], key: str, default: int, least: int, most: int) -> int:
    """A whole number from least to most."""
    value = asked.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
        raise refused(key, value, f"a whole number from {least} to {most}")
    return value


def names_of(asked: Mapping[str, Any], key: str, least: int, most: int, what: str) -> list[str]:
    """Different names, blanks around them taken off."""
    value = asked.get(key, MISSING)
    expected = f"{least} to {most} different {what}"
    if isinstance(value, str) or not isinstance(value, Sequence) or not least <= len(value) <= most:
        raise refused(key, value, expected)
    names = [name_of({key: one}, key, expected) for one in value]
    if len(set(names)) != len(names):
        raise refused(key, value, expected)
    return names


def positives(asked: Mapping[str, Any], key: str, known: Sequence[str]) -> dict[str, float]:
    """Positive numbers by name, each name one of the known; empty when left out."""
    value = asked.get(key, {})
    if not isinstance(value, Mapping):
        raise refused(key, value, "limits by figure: " + ", ".join(known))
    out = {}
    for name, number in value.items():
        if name not in known:
            raise refused(f"{key}.{name}", number, "one of " + ", ".join(known))
        if isinstance(number, bool) or not isinstance(number, int | float) or not 0.0 < number < math.inf:
            raise refused(f"{key}.{name}", number, "a number above 0, in the figure's own unit")
        out[str(name)] = float(number)
    return out


def product_of(asked: Mapping[str, Any], specification_of: SpecificationOf) -> Specification:
    """The specification of the product asked for."""
    product = name_of(asked, "product", "the product of the unit, such as dunlin-2")
    found = specification_of(product)
    if found is None:
        raise refused("product", product, "a product whose specification is loaded")
    return found
