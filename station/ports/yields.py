"""Counts that a yield report is made of, and the book they are asked from. Pure data: shares, intervals and rankings come later.

A unit counts once: where, when and by whom its *first decided* run was made. So rows of a split add up to the total, and a retest on
another rig or another day is nobody's first pass. First and newest are by the start of a run, then by its number.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import time
from enum import StrEnum
from typing import Final, Protocol

from station.yields import Asked, ReworkLoop

NO_NAME: Final = "(none)"
"""Label of runs that name no lot or operator."""

Marks = tuple[str, ...]
"""Labels of groups, by stick and in the order of quantities.GROUPS."""


def step_label(stick: str, group: str) -> str:
    """ "x+" of the only stick, else "left x+"."""
    return group if stick == "main" else f"{stick} {group}"


class Rank(StrEnum):
    """What tells one cause from another. PLACE: code and part (group or axis); AXIS and DIRECTION: parts that have one."""

    REASON = "reason"
    PLACE = "place"
    AXIS = "axis"
    DIRECTION = "direction"
    LOT = "lot"
    PLACE_AND_LOT = "place-and-lot"


class Figure(StrEnum):
    """What capability is told of: every group's mean peak, reach and return time, and both axes' rest."""

    PEAK = "peak"
    REACH = "reach"
    REST = "rest"
    RETURN = "return"


FIGURE_UNITS: Final[Mapping[Figure, str]] = {Figure.PEAK: "counts", Figure.REACH: "counts", Figure.REST: "counts", Figure.RETURN: "s"}


class Behind(StrEnum):
    """Which runs stand behind a figure. UNITS, FIRST_..., FINAL_...: first decided runs of the units that the figure counts."""

    RUNS = "runs"
    DECIDED = "decided"
    UNDECIDED = "undecided"
    INVALID = "invalid"
    FAILED = "failed"
    UNITS = "units"
    FIRST_PASSED = "first-passed"
    FIRST_FAILED = "first-failed"
    FINAL_PASSED = "final-passed"
    FINAL_FAILED = "final-failed"
    RETESTS = "retests"
    SCRAPPED = "scrapped"


@dataclass(frozen=True, slots=True)
class StepTally:
    """A group as a step. units: with this group decided in their first decided run; undecided: without; first_passed: of the former.

    final_passed: of these, how many passed the group in their newest decided run; None when the report is not split by group.
    """

    label: str
    units: int
    first_passed: int
    undecided: int = 0
    final_passed: int | None = None


@dataclass(frozen=True, slots=True)
class Tally:
    """Counts of one row. units: with a first decided run in it. runs: closed ones. scrapped: orders begun in it that ended so.

    failing: of the units, how many failed exactly these groups at their first decided run; those that failed none are left out.
    steps: every group that a unit of the row has.
    """

    label: str
    units: int = 0
    first_passed: int = 0
    final_passed: int = 0
    runs: int = 0
    decided: int = 0
    undecided: int = 0
    scrapped: int = 0
    steps: tuple[StepTally, ...] = ()
    failing: Mapping[Marks, int] = field(default_factory=dict)

    @property
    def invalid(self) -> int:
        return self.runs - self.decided - self.undecided

    @property
    def retests(self) -> int:
        """Decided runs that were not their unit's first."""
        return self.decided - self.units


@dataclass(frozen=True, slots=True)
class CauseTally:
    """runs: failed runs that name it; units: of so many. part, lot: "" when causes are not told apart by them."""

    code: str
    part: str
    lot: str
    runs: int
    units: int


@dataclass(frozen=True, slots=True)
class FigureTally:
    """Values of one figure over units' first decided runs, all places together. lot "": all lots of the product.

    units: with at least one value. values: how many; sd: their standard deviation, divisor values - 1, 0.0 for fewer than two. lower,
    upper: limits of the newest revision asked for; only units tested under it are in.
    """

    product: str
    lot: str
    figure: Figure
    units: int
    values: int
    mean: float
    sd: float
    lower: float | None
    upper: float | None


@dataclass(frozen=True, slots=True)
class YieldTallies:
    """Everything a report is made of, as of one moment. emulated_runs: closed runs of emulated rigs among those asked for."""

    total: Tally
    rows: tuple[Tally, ...]
    causes: tuple[CauseTally, ...]
    figures: tuple[FigureTally, ...]
    rework: ReworkLoop
    emulated_runs: int


class YieldBook(Protocol):
    """Where a report's counts are asked. zone: IANA name; shifts: clock times at which they begin, none for midnight to midnight."""

    def tallies(self, asked: Asked, zone: str, shifts: Sequence[time] = ()) -> YieldTallies:
        """Rows without a closed run are left out. Raises UsageError for a zone that does not exist, StoreError."""
        ...

    def causes(self, asked: Asked, zone: str, rank: Rank = Rank.PLACE) -> Sequence[CauseTally]:
        """Reasons of failed runs. Raises UsageError for a zone that does not exist, StoreError."""
        ...
