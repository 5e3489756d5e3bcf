"""Pure parts of keeping yield: which decided runs are first and newest, and what a run says of its groups and figures."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from station.ports.yields import Figure, Marks
from station.quantities import GROUPS, axis_of
from station.records import Verdict

DECIDED: Final = (Verdict.PASS.value, Verdict.FAIL.value)
GROUP_COLUMNS: Final[Mapping[Figure, str]] = {
    Figure.PEAK: "peak_mean_counts",
    Figure.REACH: "reach_counts",
    Figure.RETURN: "return_s",
}
REST_COLUMNS: Final = ("rest_x_counts", "rest_y_counts")
DAY_US: Final = 86_400 * 1_000_000

Row = Mapping[Any, Any]


@dataclass(frozen=True, slots=True)
class Decided:
    """A decided run as far as the order of its unit's runs goes. number: of the run; groups: those it did not pass."""

    started_at: datetime
    number: int
    verdict: str
    groups: str


@dataclass(frozen=True, slots=True)
class Flags:
    """What stands in a row of yield_runs because of the unit's other runs."""

    first: bool = False
    newest: bool = False
    final_passed: bool = False
    final_groups: str = ""


def flags_of(runs: Sequence[Decided]) -> dict[int, Flags]:
    """By run number. runs: all decided ones of a unit, real or emulated, in any order."""
    runs = sorted(runs, key=lambda run: (run.started_at, run.number))
    found = {run.number: Flags() for run in runs}
    if runs:
        last = runs[-1]
        found[last.number] = Flags(newest=True)
        found[runs[0].number] = Flags(True, len(runs) == 1, last.verdict == Verdict.PASS, last.groups)
    return found


def text_of(marks: Iterable[str]) -> str:
    return ",".join(marks)


def marks_in(text: str) -> Marks:
    return tuple(text.split(",")) if text else ()


def together(*texts: str) -> str:
    """The groups of several texts, in order."""
    return text_of(sorted({mark for text in texts for mark in marks_in(text)}, key=_place))


def group_marks(verdict: str, groups: Sequence[Row], sticks: Iterable[str], reasons: Sequence[Row], continues: bool) -> tuple[str, str]:
    """Groups that failed and groups that were not decided, of a failed run; of any other nothing is said.

    A group without a result failed when a reason names it or its axis (such as a dead channel), was passed before when the run goes on
    from another (continues), and was not decided otherwise.
    """
    if verdict != Verdict.FAIL:
        return "", ""
    said = {(row["stick"], row["group_name"]): str(row["verdict"]) for row in groups}
    named = {(row["stick"], row["part"]) for row in reasons}
    failed, undecided = [], []
    for stick, group in ((stick, group) for stick in sorted(sticks) for group in GROUPS):
        told = said.get((stick, group)) or _without_result((stick, group), named, continues)
        if told == Verdict.FAIL:
            failed.append(f"{stick} {group}")
        elif told != Verdict.PASS:
            undecided.append(f"{stick} {group}")
    return text_of(failed), text_of(undecided)


def figure_sums(groups: Iterable[Row], sticks: Iterable[Row]) -> dict[Figure, tuple[int, float, float]]:
    """How many values a run has of each figure, their sum and the sum of their squares; figures without a value are left out."""
    groups, sticks = list(groups), list(sticks)
    values = {figure: [row[column] for row in groups] for figure, column in GROUP_COLUMNS.items()}
    values[Figure.REST] = [row[column] for row in sticks for column in REST_COLUMNS]
    known = {figure: [value for value in some if value is not None] for figure, some in values.items()}
    return {figure: (len(some), sum(some), sum(value * value for value in some)) for figure, some in known.items() if some}


def _without_result(place: tuple[str, str], named: set[tuple[str, str]], continues: bool) -> str:
    stick, group = place
    if (stick, group) in named or (stick, axis_of(group)) in named:
        return Verdict.FAIL.value
    return Verdict.PASS.value if continues else Verdict.UNDECIDED.value


def _place(mark: str) -> tuple[str, int]:
    stick, _, group = mark.partition(" ")
    return stick, GROUPS.index(group)
