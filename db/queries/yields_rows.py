"""Counts of a report's rows, gathered from queries and added up to tallies. Pure."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from db.yield_marks import marks_in
from station.ports.yields import Marks, StepTally, Tally, step_label
from station.quantities import GROUPS

COUNTED = ("runs", "decided", "undecided", "units", "first_passed", "final_passed")


@dataclass(slots=True)
class RowCounts:
    """Of one row, or of several together. units_by_sticks: by the names of their sticks. marks: of units that failed at first: groups
    that failed and groups not decided, as kept. final: groups not decided at first and groups not passed at last, as kept."""

    numbers: Counter[str] = field(default_factory=Counter)
    units_by_sticks: Counter[tuple[str, ...]] = field(default_factory=Counter)
    marks: Counter[tuple[str, str]] = field(default_factory=Counter)
    final: Counter[tuple[str, str]] | None = None
    scrapped: int = 0

    def add(self, values: Mapping[str, int], units_by_sticks: Mapping[tuple[str, ...], int]) -> None:
        """Numbers by the names in COUNTED, and the units among them by the names of their sticks."""
        self.numbers.update(values)
        self.units_by_sticks.update(units_by_sticks)

    def join(self, other: "RowCounts") -> None:
        self.numbers.update(other.numbers)
        self.units_by_sticks.update(other.units_by_sticks)
        self.marks.update(other.marks)
        self.scrapped += other.scrapped

    def tally(self, label: str) -> Tally:
        """What came together."""
        failing: Counter[Marks] = Counter()
        for (failed, _), count in self.marks.items():
            if failed:
                failing[_labels(failed)] += count
        numbers = {name: self.numbers[name] for name in COUNTED}
        return Tally(label=label, **numbers, scrapped=self.scrapped, steps=tuple(self._steps()), failing=dict(failing))

    def _steps(self) -> Iterable[StepTally]:
        failed, undecided = (_by_mark((marks[which], count) for marks, count in self.marks.items()) for which in (0, 1))
        lost = self._lost()
        sticks = sorted({stick for names, count in self.units_by_sticks.items() if count for stick in names})
        for stick, group in ((stick, group) for stick in sticks for group in GROUPS):
            mark = f"{stick} {group}"
            units = sum(count for names, count in self.units_by_sticks.items() if stick in names) - undecided[mark]
            final = None if lost is None else units - lost[mark]
            yield StepTally(step_label(stick, group), units, units - failed[mark], undecided[mark], final)

    def _lost(self) -> Counter[str] | None:
        """By group: units that had it decided at first and did not pass it at last."""
        if self.final is None:
            return None
        lost: Counter[str] = Counter()
        for (undecided, at_last), count in self.final.items():
            for mark in set(marks_in(at_last)) - set(marks_in(undecided)):
                lost[mark] += count
        return lost


def group_rows(total: Tally) -> tuple[Tally, ...]:
    """One row per group, with that step alone."""
    return tuple(Tally(label=step.label, steps=(step,)) for step in total.steps)


def _by_mark(texts: Iterable[tuple[str, int]]) -> Counter[str]:
    found: Counter[str] = Counter()
    for text, count in texts:
        for mark in marks_in(text):
            found[mark] += count
    return found


def _labels(text: str) -> Marks:
    return tuple(step_label(stick, group) for stick, _, group in (mark.partition(" ") for mark in marks_in(text)))
