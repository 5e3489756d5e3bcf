"""A reckoning for tests: answers at once, or raises what it is told to."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from station.records import Recording
from station.rework import Checked, EstimateRow, Lesson, LotKey, Part, RunFacts
from station.service.reckoning import Pair
from station.specification import Specification


def axis_advice(words: str) -> dict[str, Any]:
    chosen = {"capacitance_f": 4.7e-7, "peak_counts": {"mean": 19.4}, "added_lag_s": 0.001, "chance_to_pass": 0.97}
    axis: dict[str, Any] = {"fitted_f": 0.0, "recommended_f": 4.7e-7, "marking": "474", "outcome": "fit", "reason": "smallest"}
    return axis | {"blocking": [], "help": [], "further": [], "in_words": words, "candidates": [chosen]}


@dataclass
class FakeReckoning:
    """trouble: raised by the named computation. asked: names of what was computed, in order."""

    trouble: dict[str, Exception] = field(default_factory=dict)
    asked: list[str] = field(default_factory=list)

    def advise(
        self, facts: RunFacts, recordings: Mapping[str, Recording], spec: Specification, estimates: Sequence[EstimateRow]
    ) -> Mapping[str, Mapping[str, Any]]:
        self._ask("advise")
        source = estimates[0].name if estimates else "specification"
        axes = {axis: axis_advice(f"Fit 0.47 uF on {axis}.") for axis in ("x", "y")}
        return {stick: {"axes": axes, "track": {"source": source}, "cautions": []} for stick in recordings}

    def check(
        self,
        before: RunFacts,
        after: RunFacts,
        pairs: Mapping[str, Pair],
        spec: Specification,
        parts: Sequence[Part],
        estimates: Sequence[EstimateRow],
    ) -> Checked:
        self._ask("check")
        found = {f"{part.stick} {part.axis}": {"finding": "as-recorded", "in_words": f"{part.axis} acts."} for part in parts}
        lessons = tuple(Lesson(one.stick, one.axis, one.farads, 19.5, 19.4, "as-recorded", "specification", {}) for one in parts)
        return Checked("", found, lessons)

    def estimate(self, key: LotKey, lessons: Sequence[Mapping[str, Any]], spec: Specification, at: datetime) -> EstimateRow:
        self._ask("estimate")
        return EstimateRow(key, 0, f"{len(lessons)}", f"{key.lot} of {len(lessons)}", len(lessons), 10_100.0, 0.15, True, {}, at)

    def _ask(self, what: str) -> None:
        self.asked.append(what)
        if what in self.trouble:
            raise self.trouble[what]
