"""The gauge study: the same parts, measured equally often by every operator, in an order drawn by lot."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from station.errors import UsageError
from station.proof import Kind, Procedure, Step, StepResult, Study
from station.prove.study import StudyRow, evaluate_study, peak_sentence, peak_u_counts
from station.prove.study_words import Tolerance, tolerance_of
from station.records import RigIdentity
from station.service.proving.course import Concluding, ProofBench, SpecificationOf
from station.service.proving.measured import unit_values
from station.service.proving.measured_plan import FLICKS, FLICKS_MOST, names_of, product_of, require_keys, whole
from station.service.proving.measured_steps import measuring_step, results_of
from station.service.proving.measuring import measure_unit, wanted_of
from station.specification import Specification

PARTS_MOST: Final = 50
OPERATORS_MOST: Final = 20
TRIALS_MOST: Final = 20
SEED_MOST: Final = 2**31 - 1
Place = tuple[int, int, int]


class GaugeStudyCourse:
    """Plan: product, parts (serials), operators (names), trials, flicks, seed. Outcome: Study."""

    def plan(self, asked: Mapping[str, Any], identity: RigIdentity, specification_of: SpecificationOf) -> dict[str, Any]:
        """The order stands in the plan, so that it is the same after a restart, whatever draws lots then."""
        require_keys(asked, ("product", "parts", "operators", "trials", "flicks", "seed"))
        plan: dict[str, Any] = {
            "product": product_of(asked, specification_of).name,
            "parts": names_of(asked, "parts", 2, PARTS_MOST, "serial numbers"),
            "operators": names_of(asked, "operators", 2, OPERATORS_MOST, "names"),
            "trials": whole(asked, "trials", 3, 2, TRIALS_MOST),
            "flicks": whole(asked, "flicks", FLICKS, 2, FLICKS_MOST),
            "seed": whole(asked, "seed", 1, 0, SEED_MOST),
        }
        drawn = drawn_order(len(plan["parts"]), len(plan["operators"]), plan["trials"], plan["seed"])
        return {**plan, "order": [list(place) for place in drawn]}

    def steps(self, plan: Mapping[str, Any]) -> tuple[Step, ...]:
        return tuple(_step(position, plan, part, who, trial) for position, (part, who, trial) in enumerate(plan["order"], start=1))

    def perform(self, bench: ProofBench, procedure: Procedure, step: Step) -> Mapping[str, Any]:
        plan = procedure.opening.plan
        return measure_unit(bench, wanted_of(bench, step.unit, str(plan["product"]), int(plan["flicks"])))

    def conclude(self, procedure: Procedure, around: Concluding) -> Study:
        opening, plan = procedure.opening, procedure.opening.plan
        steps = self.steps(plan)
        results = results_of(procedure, steps)
        document = study_document(plan, steps, results, specification_used(plan, results, around.specification_of))
        return Study(
            number=0,
            procedure=procedure.number,
            kind=Kind.GAUGE_STUDY,
            station=opening.station,
            rig=opening.rig,
            rig_id=opening.rig_id,
            emulated=opening.emulated,
            product=str(plan["product"]),
            specification=str(results[0].figures["specification"]),
            problems=tuple(document["problems"]),
            document=document,
            peak_u_counts=peak_u_counts(document),
            by=opening.by,
            at=around.at,
        )


def drawn_order(parts: int, operators: int, trials: int, seed: int) -> tuple[Place, ...]:
    """Part, operator and trial of every measurement, each counted from 1.

    Every trial is a block in which all operators measure all parts once: who comes when is drawn, and for each the order of the parts, so
    that slow drift falls on all alike (restricted randomisation of crossed studies; Montgomery, Design and Analysis of Experiments, from
    memory).
    """
    random = np.random.default_rng(seed)
    return tuple(
        (part + 1, who + 1, trial)
        for trial in range(1, trials + 1)
        for who in random.permutation(operators).tolist()
        for part in random.permutation(parts).tolist()
    )


def specification_used(plan: Mapping[str, Any], results: Sequence[StepResult], specification_of: SpecificationOf) -> Specification:
    """The one the figures were measured by. Raises UsageError when another is in force now: its limits are the tolerances."""
    found, label = specification_of(str(plan["product"])), str(results[0].figures["specification"])
    if found is None or found.label != label:
        now = found.label if found else "none"
        raise UsageError(f"the steps were measured by specification {label}, in force is {now}; expected the same: do the steps again")
    return found


def study_document(
    plan: Mapping[str, Any], steps: Sequence[Step], results: Sequence[StepResult], specification: Specification
) -> dict[str, Any]:
    """Evaluation of a study all of whose steps are done, with plan and measured rows, JSON-ready."""
    rows = [
        StudyRow(str(plan["parts"][part - 1]), str(plan["operators"][who - 1]), str(trial), unit_values(result.figures))
        for (part, who, trial), result in zip(plan["order"], results, strict=True)
    ]

    def tolerance(figure: str, grand_mean: float) -> Tolerance:
        return tolerance_of(figure, specification, grand_mean)

    evaluated = evaluate_study(rows, tolerance)
    return {
        **evaluated,
        "plan": dict(plan),
        "rows": [
            {
                "step": step.position,
                "part": row.part,
                "operator": row.operator,
                "trial": row.trial,
                "by": result.by,
                "at": f"{result.at:%Y-%m-%dT%H:%M:%SZ}",
            }
            for step, row, result in zip(steps, rows, results, strict=True)
        ],
        "peak_u_in_words": peak_sentence(evaluated),
        "notes": _strangers(steps, results),
    }


def _step(position: int, plan: Mapping[str, Any], part: int, who: int, trial: int) -> Step:
    serial, operator = str(plan["parts"][part - 1]), str(plan["operators"][who - 1])
    title = f"Trial {trial} of {plan['trials']}, {operator}: part {part}"
    return measuring_step(position, f"trial-{trial}-operator-{who}-part-{part}", title, serial, f"part {part}", operator)


def _strangers(steps: Sequence[Step], results: Sequence[StepResult]) -> list[str]:
    """Steps that were signed by another than the plan wanted: then what operators add is understated or mixed up."""
    found = [
        f"{step.position} (planned {step.operator}, done by {one.by})"
        for step, one in zip(steps, results, strict=True)
        if one.by != step.operator
    ]
    return [f"Steps signed by another than planned: {', '.join(found)}."] if found else []
