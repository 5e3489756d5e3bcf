"""The type 1 study: the reference unit measured many times, clamped anew each time, against its known values."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from station.errors import UsageError
from station.proof import Kind, Procedure, ReferenceUnit, Step, StepResult, Study
from station.prove.study_words import tolerance_of
from station.prove.type1 import DEFAULT, type_1_study
from station.records import RigIdentity
from station.service.proving.course import Concluding, ProofBench, SpecificationOf
from station.service.proving.measured import unit_values
from station.service.proving.measured_plan import FLICKS, FLICKS_MOST, positives, product_of, refused, require_keys, whole
from station.service.proving.measured_steps import repeated_steps, results_of
from station.service.proving.measuring import measure_unit, wanted_of
from station.service.proving.reference_course import UnitsOf, chosen_unit
from station.service.proving.study_course import specification_used
from station.specification import Specification

REPEATS: Final = DEFAULT.repeats_least
REPEATS_MOST: Final = 200


class Type1Course:
    """Plan: serial of a reference unit (may be left out while there is one), repeats, flicks, tolerances by figure. Outcome: Study."""

    def __init__(self, units_of: UnitsOf) -> None:
        self._units_of = units_of

    def plan(self, asked: Mapping[str, Any], identity: RigIdentity, specification_of: SpecificationOf) -> dict[str, Any]:
        """The reference values stand in the plan: values found anew while the study goes on do not touch it."""
        require_keys(asked, ("serial", "product", "repeats", "flicks", "tolerances"))
        unit = chosen_unit(asked, self._units_of(identity.rig_id, identity.emulated), identity.rig_id)
        product = product_of({"product": asked.get("product", unit.product)}, specification_of).name
        if product != unit.product:
            raise refused("product", product, f"{unit.product}, the product of reference unit {unit.serial}")
        references = references_of(unit)
        return {
            "serial": unit.serial,
            "product": product,
            "repeats": whole(asked, "repeats", REPEATS, DEFAULT.repeats_least, REPEATS_MOST),
            "flicks": whole(asked, "flicks", FLICKS, 2, FLICKS_MOST),
            "tolerances": positives(asked, "tolerances", tuple(sorted({name.rsplit(" ", 1)[-1] for name in references}))),
            "references": references,
        }

    def steps(self, plan: Mapping[str, Any]) -> tuple[Step, ...]:
        return repeated_steps(str(plan["serial"]), int(plan["repeats"]))

    def perform(self, bench: ProofBench, procedure: Procedure, step: Step) -> Mapping[str, Any]:
        plan = procedure.opening.plan
        return measure_unit(bench, wanted_of(bench, str(plan["serial"]), str(plan["product"]), int(plan["flicks"])))

    def conclude(self, procedure: Procedure, around: Concluding) -> Study:
        opening, plan = procedure.opening, procedure.opening.plan
        results = results_of(procedure, self.steps(plan))
        document = type_1_document(plan, results, specification_used(plan, results, around.specification_of))
        return Study(
            number=0,
            procedure=procedure.number,
            kind=Kind.TYPE_1_STUDY,
            station=opening.station,
            rig=opening.rig,
            rig_id=opening.rig_id,
            emulated=opening.emulated,
            product=str(plan["product"]),
            specification=str(results[0].figures["specification"]),
            problems=tuple(document["problems"]),
            document=document,
            peak_u_counts=math.nan,  # one unit and one person: not all that makes a peak uncertain has been seen
            by=opening.by,
            at=around.at,
        )


def references_of(unit: ReferenceUnit) -> dict[str, float]:
    """Known values by "stick place figure", of the figures that are a unit's."""
    shown = {"sticks": {s: {p: {f: v.value for f, v in fs.items()} for p, fs in ps.items()} for s, ps in unit.values.items()}}
    return unit_values(shown)


def type_1_document(plan: Mapping[str, Any], results: Sequence[StepResult], specification: Specification) -> dict[str, Any]:
    """Evaluation with the plan beside it. Every figure is tested for drift, each with its share of the chance of a false flag."""
    references = {name: float(value) for name, value in plan["references"].items()}
    measured = [unit_values(result.figures) for result in results]
    missing = sorted(name for name in references if any(name not in one for one in measured))
    if missing:
        raise UsageError(f"{missing[0]} has a reference value but was not measured; expected it in every repeat: find the values anew")
    repeats = {name: [one[name] for one in measured] for name in references}
    asked = plan["tolerances"]
    tolerances = {
        name: asked.get(name.rsplit(" ", 1)[-1]) or tolerance_of(name, specification, value).width for name, value in references.items()
    }
    rule = replace(DEFAULT, drift_p=DEFAULT.drift_p / max(1, len(references)))
    return {**type_1_study(repeats, references, tolerances, rule), "plan": dict(plan)}
