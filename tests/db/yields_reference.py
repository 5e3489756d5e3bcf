"""Yield reckoned the slow way: from the runs as they were made, in plain loops, one definition after the other.

A second reading of the definitions in station/yields.py and station/ports/yields.py; it knows no table, no flag and no sum.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from statistics import mean, stdev
from typing import Any
from zoneinfo import ZoneInfo

from db.filling import FinishedRun
from station.ports.yields import NO_NAME, Behind
from station.quantities import GROUPS
from station.records import Verdict
from station.yields import Asked, Split
from tests.db.making_yields import PRODUCTS

DECIDED = (Verdict.PASS, Verdict.FAIL)


@dataclass(frozen=True, slots=True)
class Case:
    """A run, its number, and the state of the order it began, "" without."""

    number: int
    run: FinishedRun
    state: str = ""

    @property
    def verdict(self) -> Verdict:
        return self.run.closing.verdict

    @property
    def started_at(self) -> datetime:
        return self.run.opening.started_at

    @property
    def who(self) -> tuple[str, bool]:
        return self.run.opening.unit.serial, self.run.opening.rig.emulated


@dataclass(frozen=True, slots=True)
class Plain:
    """What is compared of a row; steps: by label, units, passed at first, undecided."""

    units: int
    first_passed: int
    final_passed: int
    runs: int
    decided: int
    undecided: int
    invalid: int
    retests: int
    scrapped: int
    steps: dict[str, tuple[int, int, int]]


class Reference:
    def __init__(self, cases: Sequence[Case], zone: str, shifts: Sequence[time]) -> None:
        self.cases, self.zone, self.shifts = list(cases), ZoneInfo(zone), sorted(shifts)
        self.first: dict[tuple[str, bool], Case] = {}
        self.newest: dict[tuple[str, bool], Case] = {}
        for case in sorted(self.cases, key=lambda one: (one.started_at, one.number)):
            if case.verdict in DECIDED:
                self.first.setdefault(case.who, case)
                self.newest[case.who] = case

    def chosen(self, asked: Asked) -> list[Case]:
        return [case for case in self.cases if self._asked_for(case, asked)]

    def rows(self, asked: Asked) -> dict[str, Plain]:
        label = self._labeller(asked.split)
        found: dict[str, list[Case]] = {}
        for case in self.chosen(asked):
            found.setdefault(label(case), []).append(case)
        return {name: self.plain(found[name]) for name in sorted(found)}

    def plain(self, cases: Sequence[Case]) -> Plain:
        firsts = [case for case in cases if case is self.first.get(case.who)]
        decided = [case for case in cases if case.verdict in DECIDED]
        return Plain(
            units=len(firsts),
            first_passed=sum(case.verdict is Verdict.PASS for case in firsts),
            final_passed=sum(self.newest[case.who].verdict is Verdict.PASS for case in firsts),
            runs=len(cases),
            decided=len(decided),
            undecided=sum(case.verdict is Verdict.UNDECIDED for case in cases),
            invalid=sum(case.verdict is Verdict.INVALID for case in cases),
            retests=len(decided) - len(firsts),
            scrapped=sum(case.state == "scrapped" for case in cases),
            steps=self._steps(firsts),
        )

    def group_finals(self, cases: Sequence[Case]) -> dict[str, tuple[int, int]]:
        """By group: units with it decided at first, and how many of them passed it at last."""
        found: dict[str, list[int]] = {}
        for case in cases:
            if case is not self.first.get(case.who):
                continue
            for label, told in groups_of(case).items():
                counts = found.setdefault(label, [0, 0])
                if told != "undecided":
                    counts[0] += 1
                    counts[1] += groups_of(self.newest[case.who]).get(label, "pass") == "pass"
        return {label: (units, passed) for label, (units, passed) in found.items()}

    def causes(
        self, asked: Asked, key: Callable[[str, str, str], tuple[str, str, str] | None]
    ) -> dict[tuple[str, str, str], tuple[int, int]]:
        runs: dict[tuple[str, str, str], set[int]] = {}
        units: dict[tuple[str, str, str], set[str]] = {}
        for case in self.chosen(asked):
            for reason in case.run.closing.reasons if case.verdict is Verdict.FAIL else ():
                code, _, part = reason.partition(":")
                told = key(code, part, case.run.opening.unit.lot)
                if told is not None:
                    runs.setdefault(told, set()).add(case.number)
                    units.setdefault(told, set()).add(case.run.opening.unit.serial)
        return {told: (len(runs[told]), len(units[told])) for told in runs}

    def figures(self, asked: Asked, newest: dict[str, str]) -> dict[tuple[str, str, str], tuple[int, int, float, float]]:
        """By product, lot and figure: units, values, mean, deviation. newest: label of the revision that counts, by product."""
        values: dict[tuple[str, str, str], list[float]] = {}
        units: Counter[tuple[str, str, str]] = Counter()
        for case in self.chosen(asked):
            unit = case.run.opening.unit
            if case is not self.first.get(case.who) or case.run.opening.specification != newest[unit.product]:
                continue
            for figure, some in figures_of(case.run).items():
                for lot in {"", unit.lot} if some else ():
                    values.setdefault((unit.product, lot, figure), []).extend(some)
                    units[unit.product, lot, figure] += 1
        return {key: (units[key], len(some), mean(some), stdev(some) if len(some) > 1 else 0.0) for key, some in values.items()}

    def behind(self, asked: Asked, figure: Behind) -> list[int]:
        """Newest first."""
        cases = sorted(self.chosen(asked), key=lambda one: (one.started_at, one.number), reverse=True)
        return [case.number for case in cases if self._stands_behind(case, figure)]

    def failed(self, asked: Asked) -> list[int]:
        cases = sorted(self.chosen(asked), key=lambda one: (one.started_at, one.number), reverse=True)
        return [case.number for case in cases if case is self.newest.get(case.who) and case.verdict is Verdict.FAIL]

    def _stands_behind(self, case: Case, figure: Behind) -> bool:
        first = case is self.first.get(case.who)
        passed_at_last = first and self.newest[case.who].verdict is Verdict.PASS
        return {
            Behind.RUNS: True,
            Behind.DECIDED: case.verdict in DECIDED,
            Behind.UNDECIDED: case.verdict is Verdict.UNDECIDED,
            Behind.INVALID: case.verdict is Verdict.INVALID,
            Behind.FAILED: case.verdict is Verdict.FAIL,
            Behind.UNITS: first,
            Behind.FIRST_PASSED: first and case.verdict is Verdict.PASS,
            Behind.FIRST_FAILED: first and case.verdict is Verdict.FAIL,
            Behind.FINAL_PASSED: passed_at_last,
            Behind.FINAL_FAILED: first and not passed_at_last,
            Behind.RETESTS: case.verdict in DECIDED and not first,
            Behind.SCRAPPED: case.state == "scrapped",
        }[figure]

    def _steps(self, firsts: Sequence[Case]) -> dict[str, tuple[int, int, int]]:
        found: dict[str, list[int]] = {}
        for case in firsts:
            for label, told in groups_of(case).items():
                counts = found.setdefault(label, [0, 0, 0])
                counts[0] += told != "undecided"
                counts[1] += told == "pass"
                counts[2] += told == "undecided"
        return {label: (units, passed, undecided) for label, (units, passed, undecided) in found.items()}

    def _asked_for(self, case: Case, asked: Asked) -> bool:
        opening = case.run.opening
        day = case.started_at.astimezone(self.zone).date()
        wanted = (
            (opening.unit.product, asked.product),
            (opening.specification, asked.specification),
            (opening.unit.lot, asked.lot),
            (opening.rig_name, asked.rig),
            (opening.operator, asked.operator),
            (opening.station, asked.station),
        )
        begun = asked.first_day is None or day >= asked.first_day
        ended = asked.last_day is not None and day > asked.last_day
        return opening.rig.emulated == asked.emulated and begun and not ended and all(one in ("", value) for value, one in wanted)

    def _labeller(self, split: Split) -> Callable[[Case], str]:
        def of(value: Callable[[Any], str]) -> Callable[[Case], str]:
            return lambda case: value(case.run.opening) or NO_NAME

        return {
            Split.NONE: lambda case: "",
            Split.GROUP: lambda case: "",
            Split.DAY: lambda case: case.started_at.astimezone(self.zone).strftime("%Y-%m-%d"),
            Split.SHIFT: self._shift,
            Split.PRODUCT: of(lambda opening: opening.unit.product),
            Split.SPECIFICATION: of(lambda opening: opening.specification),
            Split.LOT: of(lambda opening: opening.unit.lot),
            Split.RIG: of(lambda opening: opening.rig_name),
            Split.OPERATOR: of(lambda opening: opening.operator),
        }[split]

    def _shift(self, case: Case) -> str:
        """The newest begin of a shift at or before the run, looked for over three days."""
        today: date = case.started_at.astimezone(self.zone).date()
        walls = [
            datetime.combine(today + timedelta(days=more), start, self.zone) for more in (-1, 0, 1) for start in self.shifts or [time(0)]
        ]
        begun = [(wall.astimezone(UTC), wall) for wall in walls if wall.astimezone(UTC) <= case.started_at]
        return max(begun, key=lambda pair: pair[0])[1].strftime("%Y-%m-%d %H:%M")


def groups_of(case: Case) -> dict[str, str]:
    """What a decided run says of each group of its product: pass, fail or undecided."""
    found: dict[str, str] = {}
    label = case.run.opening.specification
    sticks = next(one.sticks for one in PRODUCTS if one.specification.label == label)
    for stick in sticks:
        for group in GROUPS:
            name = group if stick == "main" else f"{stick} {group}"
            found[name] = _told(case, stick, group)
    return found


def figures_of(run: FinishedRun) -> dict[str, list[float]]:
    found: dict[str, list[float]] = {"peak": [], "reach": [], "rest": [], "return": []}
    for score in run.closing.scores.values():
        found["rest"] += [value for value in score.figures["rest_counts"].values() if value == value]
        for group in score.groups.values():
            found["peak"] += [] if group["peak_counts"]["mean"] is None else [group["peak_counts"]["mean"]]
            found["reach"].append(group["reach_counts"])
            found["return"].append(group["return_s"])
    return found


def _told(case: Case, stick: str, group: str) -> str:
    if case.verdict is Verdict.PASS:
        return "pass"
    score = case.run.closing.scores[stick]
    if group in score.groups:
        return str(score.groups[group]["verdict"])
    parts = {reason.partition(":")[2] for reason in score.reasons}
    if group in parts or group[0] in parts:
        return "fail"
    return "pass" if case.run.closing.evidence.get("continues") else "undecided"
