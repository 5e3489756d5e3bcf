"""Axes, groups and the units of the house. Units stand in names: _s, _hz, _v, _f, _ohm, _counts.

A `count` is supply_v / 2**bits of the host's converter; levels in counts are real numbers.
"""

from typing import Final

AXES: Final = ("x", "y")
GROUPS: Final = ("x+", "x-", "y+", "y-")


def axis_of(group: str) -> str:
    """Axis name of a group: axis_of("x+") == "x"."""
    return group[0]


def sign_of(group: str) -> int:
    """+1 or -1: the side the group's flicks are held on."""
    return 1 if group[1] == "+" else -1


def count_v(supply_v: float, bits: int) -> float:
    """Volts of one count of the host's converter."""
    return float(supply_v / 2**bits)
