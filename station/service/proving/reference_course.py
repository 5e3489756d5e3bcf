"""The reference unit: finding its values, by clamping it again and again, and measuring it against them."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from station.proof import Procedure, ReferenceCheck, ReferenceUnit, Step
from station.records import RigIdentity
from station.service.proving.course import Concluding, ProofBench, SpecificationOf
from station.service.proving.measured_plan import FLICKS, FLICKS_MOST, name_of, positives, product_of, refused, require_keys, whole
from station.service.proving.measured_reference import FLOORS, deviations, reference_values
from station.service.proving.measured_steps import measuring_step, repeated_steps, results_of
from station.service.proving.measuring import measure_unit, wanted_of

REPEATS: Final = 5
REPEATS_LEAST: Final = 3
REPEATS_MOST: Final = 50

UnitsOf = Callable[[str, bool], Sequence[ReferenceUnit]]


class ReferenceValuesCourse:
    """Plan: serial, product, repeats, flicks, limits by figure (optional). Outcome: ReferenceUnit."""

    def plan(self, asked: Mapping[str, Any], identity: RigIdentity, specification_of: SpecificationOf) -> dict[str, Any]:
        require_keys(asked, ("serial", "product", "repeats", "flicks", "limits"))
        return {
            "serial": name_of(asked, "serial", "the serial number of the unit that shall be the reference"),
            "product": product_of(asked, specification_of).name,
            "repeats": whole(asked, "repeats", REPEATS, REPEATS_LEAST, REPEATS_MOST),
            "flicks": whole(asked, "flicks", FLICKS, 2, FLICKS_MOST),
            "limits": positives(asked, "limits", tuple(FLOORS)),
        }

    def steps(self, plan: Mapping[str, Any]) -> tuple[Step, ...]:
        return repeated_steps(str(plan["serial"]), int(plan["repeats"]))

    def perform(self, bench: ProofBench, procedure: Procedure, step: Step) -> Mapping[str, Any]:
        plan = procedure.opening.plan
        return measure_unit(bench, wanted_of(bench, str(plan["serial"]), str(plan["product"]), int(plan["flicks"])))

    def conclude(self, procedure: Procedure, around: Concluding) -> ReferenceUnit:
        opening, plan = procedure.opening, procedure.opening.plan
        results = results_of(procedure, self.steps(plan))
        values = reference_values([result.figures for result in results], int(plan["flicks"]), plan["limits"])
        return ReferenceUnit(
            serial=str(plan["serial"]),
            product=str(plan["product"]),
            rig_id=opening.rig_id,
            emulated=opening.emulated,
            values=values,
            specification=str(results[0].figures["specification"]),
            procedure=procedure.number,
            by=opening.by,
            at=around.at,
        )


class ReferenceCheckCourse:
    """Plan: serial (may be left out while there is one reference unit), flicks. Outcome: ReferenceCheck. units_of: by rig and emulated."""

    def __init__(self, units_of: UnitsOf) -> None:
        self._units_of = units_of

    def plan(self, asked: Mapping[str, Any], identity: RigIdentity, specification_of: SpecificationOf) -> dict[str, Any]:
        require_keys(asked, ("serial", "flicks"))
        unit = chosen_unit(asked, self._units_of(identity.rig_id, identity.emulated), identity.rig_id)
        return {"serial": unit.serial, "product": unit.product, "flicks": whole(asked, "flicks", FLICKS, 2, FLICKS_MOST)}

    def steps(self, plan: Mapping[str, Any]) -> tuple[Step, ...]:
        serial = str(plan["serial"])
        return (measuring_step(1, "measure", f"Measure reference unit {serial}", serial, f"reference unit {serial}"),)

    def perform(self, bench: ProofBench, procedure: Procedure, step: Step) -> Mapping[str, Any]:
        plan = procedure.opening.plan
        return measure_unit(bench, wanted_of(bench, str(plan["serial"]), str(plan["product"]), int(plan["flicks"])))

    def conclude(self, procedure: Procedure, around: Concluding) -> ReferenceCheck:
        opening, plan = procedure.opening, procedure.opening.plan
        (result,) = results_of(procedure, self.steps(plan))
        unit = chosen_unit({"serial": plan["serial"]}, around.reference_units, opening.rig_id)
        return ReferenceCheck(
            number=0,
            procedure=procedure.number,
            station=opening.station,
            rig=opening.rig,
            rig_id=opening.rig_id,
            emulated=opening.emulated,
            firmware=opening.firmware,
            calibration=around.calibration,
            serial=unit.serial,
            product=unit.product,
            deviations=deviations(unit, result),
            by=result.by,
            at=around.at,
        )


def chosen_unit(asked: Mapping[str, Any], units: Sequence[ReferenceUnit], rig_id: str) -> ReferenceUnit:
    """The reference unit asked for, or the only one there is. Raises UsageError."""
    known = {one.serial: one for one in units}
    if not known:
        raise refused("serial", asked.get("serial"), f"a reference unit of rig {rig_id}; it has none: find the values of one first")
    alone = next(iter(known)) if len(known) == 1 else ""
    expected = f"one of the reference units of rig {rig_id}: {', '.join(sorted(known))}"
    serial = name_of(asked, "serial", expected, alone)
    if serial not in known:
        raise refused("serial", serial, expected)
    return known[serial]
