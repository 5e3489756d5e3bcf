"""A book of proofs in memory, for tests of the service alone; and a calibration that is simply there."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from station.errors import Busy, NotFound, NotReady
from station.ports.proof import ProofBook
from station.proof import (
    Baseline,
    Calibration,
    ChartKey,
    ChartPoint,
    HealthRow,
    Kind,
    Note,
    Opening,
    Outcome,
    Procedure,
    ReferenceCheck,
    ReferenceUnit,
    Signal,
    Standing,
    StepResult,
    Study,
)


def calibration_there(rig_id: str, firmware: str, at: datetime, emulated: bool = True, **changes: Any) -> Calibration:
    """An accepted calibration of a rig, valid for 90 days, with no figures in it."""
    until = at + timedelta(days=90)
    whole = Calibration(1, 0, "mossgate-1", "rig-1", rig_id, emulated, firmware, (), {}, "tester", at, until, 500_000)
    return replace(whole, **changes)


def keep_calibration(book: ProofBook, rig: str, rig_id: str, firmware: str, at: datetime, station: str = "mossgate-1") -> None:
    """Let a rig have been calibrated: for tests of something else."""
    opening = Opening(Kind.CALIBRATION, station, rig, rig_id, True, firmware, {}, "tester", at)
    number = book.begin_procedure(opening)
    made = calibration_there(rig_id, firmware, at, procedure=number, station=station, rig=rig, number=0)
    book.conclude(number, made, at)


class MemoryBook:
    """Implements station.ports.proof.ProofBook."""

    def __init__(self) -> None:
        self.procedures: dict[int, Procedure] = {}
        self.outcomes: list[Outcome] = []
        self.flicks = 0
        self.baselines: list[Baseline] = []
        self.kept_signals: list[Signal] = []
        self.kept_notes: list[Note] = []
        self.points: dict[ChartKey, list[ChartPoint]] = {}
        self.rows: list[HealthRow] = []

    def begin_procedure(self, opening: Opening) -> int:
        if self.open_procedure(opening.rig) is not None:
            raise Busy("one is open")
        number = len(self.procedures) + 1
        self.procedures[number] = Procedure(number, opening, Standing.OPEN)
        return number

    def keep_step(self, number: int, result: StepResult) -> None:
        kept = self._open(number)
        others = [one for one in kept.results if one.position != result.position]
        self.procedures[number] = replace(kept, results=tuple(sorted([*others, result], key=lambda one: one.position)))

    def end_procedure(self, number: int, cause: str, at: datetime) -> None:
        self.procedures[number] = replace(self._open(number), standing=Standing.ABANDONED, ended_at=at, cause=cause)

    def procedure(self, number: int) -> Procedure:
        if number not in self.procedures:
            raise NotFound(f"no procedure {number}")
        return self.procedures[number]

    def open_procedure(self, rig: str) -> Procedure | None:
        return next((one for one in self.procedures.values() if one.opening.rig == rig and one.standing is Standing.OPEN), None)

    def conclude(self, number: int, outcome: Outcome, at: datetime) -> Outcome:
        self.procedures[number] = replace(self._open(number), standing=Standing.DONE, ended_at=at)
        kept = outcome if isinstance(outcome, ReferenceUnit) else replace(outcome, number=self._count(type(outcome)) + 1)
        self.outcomes.append(kept)
        return kept

    def outcome(self, number: int) -> Outcome:
        return next(one for one in self.outcomes if one.procedure == number)

    def calibration_in_force(self, rig_id: str, emulated: bool) -> Calibration | None:
        mine = [one for one in self._all(Calibration) if (one.rig_id, one.emulated) == (rig_id, emulated) and one.accepted]
        return mine[-1] if mine else None

    def calibration(self, number: int) -> Calibration:
        return next(one for one in self.outcomes if isinstance(one, Calibration) and one.number == number)

    def flicks_since(self, calibration: str) -> int:
        return self.flicks

    def reference_units(self, rig_id: str, emulated: bool) -> Sequence[ReferenceUnit]:
        newest = {one.serial: one for one in self._all(ReferenceUnit) if (one.rig_id, one.emulated) == (rig_id, emulated)}
        return tuple(newest[serial] for serial in sorted(newest))

    def last_check(self, rig_id: str, emulated: bool) -> ReferenceCheck | None:
        mine = [one for one in self._all(ReferenceCheck) if (one.rig_id, one.emulated) == (rig_id, emulated)]
        return mine[-1] if mine else None

    def study_in_force(self, kind: Kind, product: str, emulated: bool) -> Study | None:
        mine = [one for one in self.studies(product, emulated) if one.kind is kind and one.accepted]
        return mine[0] if mine else None

    def studies(self, product: str, emulated: bool) -> Sequence[Study]:
        return [one for one in reversed(self._all(Study)) if (one.product, one.emulated) == (product, emulated)]

    def charts_of_run(self, run_number: int) -> Sequence[ChartKey]:
        return list(self.points)

    def chart_points(self, chart: ChartKey, newest: int) -> Sequence[ChartPoint]:
        return self.points.get(chart, [])[-newest:]

    def chart_keys(self, rig: str) -> Sequence[ChartKey]:
        return [key for key in self.points if key.rig == rig]

    def baseline(self, chart: ChartKey) -> Baseline | None:
        mine = [one for one in self.baselines if one.chart == chart]
        return mine[-1] if mine else None

    def keep_baseline(self, baseline: Baseline) -> None:
        self.baselines.append(baseline)

    def signals(self, chart: ChartKey, newest: int) -> Sequence[Signal]:
        return [one for one in reversed(self.kept_signals) if one.chart == chart][:newest]

    def keep_signals(self, signals: Sequence[Signal]) -> Sequence[Signal]:
        known = {(one.chart, one.point, one.rule) for one in self.kept_signals}
        fresh = [one for one in signals if (one.chart, one.point, one.rule) not in known]
        self.kept_signals += fresh
        return fresh

    def notes(self, chart: ChartKey) -> Sequence[Note]:
        return [one for one in self.kept_notes if one.chart == chart]

    def keep_note(self, note: Note) -> None:
        self.kept_notes.append(note)

    def health(self, rig_id: str, emulated: bool, newest: int) -> Sequence[HealthRow]:
        return self.rows[-newest:]

    # --- inside

    def _open(self, number: int) -> Procedure:
        kept = self.procedure(number)
        if kept.standing is not Standing.OPEN:
            raise NotReady(f"procedure {number} has ended")
        return kept

    def _all(self, kind: type[Any]) -> list[Any]:
        return [one for one in self.outcomes if isinstance(one, kind)]

    def _count(self, kind: type[Any]) -> int:
        return len(self._all(kind))
