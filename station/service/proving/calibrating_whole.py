"""A whole procedure in one go, without the worker: for tests, and for rigs that nobody has to stand at."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from station.proof import Kind, Opening, Procedure, Standing, StepResult
from station.service.proving.course import Course, ProofBench


def opening_of(course: Course, bench: ProofBench, kind: Kind, asked: Mapping[str, Any], station: str, by: str) -> Opening:
    """What such a procedure is begun with. Raises UsageError."""
    one = bench.identity
    plan = course.plan(asked, one, bench.specification_of)
    return Opening(kind, station, bench.rig.name, one.rig_id, one.emulated, one.firmware, plan, by, bench.clock.utc())


def _nowhere(_result: StepResult) -> None:
    """Where nothing is kept."""


def perform_all(
    course: Course, bench: ProofBench, opening: Opening, number: int = 1, keep: Callable[[StepResult], None] = _nowhere
) -> Procedure:
    """Every step carried out in order, the finger brought to rest after each. keep: told of each result. Raises what the course raises."""
    procedure = Procedure(number, opening, Standing.OPEN)
    for step in course.steps(opening.plan):
        try:
            figures = course.perform(bench, procedure, step)
        finally:
            bench.rig.halt()
        result = StepResult(step.position, step.name, figures, opening.by, bench.clock.utc())
        keep(result)
        procedure = replace(procedure, results=(*procedure.results, result))
    return procedure
