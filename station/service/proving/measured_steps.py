"""Steps in which a person clamps a unit and the rig measures it: what they say, short enough to be read with gloves on."""

from collections.abc import Sequence

from station.errors import UsageError
from station.proof import Procedure, Step, StepResult

CAUTION = "Caution: the finger moves with force and can pinch. Your local rules come first; if in doubt ask a qualified person."


def measuring_step(position: int, name: str, title: str, serial: str, what: str, operator: str = "") -> Step:
    """what: how the person shall know the unit. operator: who must do it, "" anybody."""
    who = (f"{operator} does this step, nobody else.",) if operator else ()
    says = (
        CAUTION,
        *who,
        "Finger at rest? Then open the guard and take out what is in the clamp.",
        f"Put in {what}. Compare the serial number: {serial}.",
        "Close the clamp. Hands out. Close the guard.",
        "Emergency stop within reach? Press start. Keep hands off until the finger has stopped.",
    )
    return Step(position, name, title, says, True, serial, operator)


def repeated_steps(serial: str, repeats: int) -> tuple[Step, ...]:
    """The reference unit measured so often, clamped anew each time."""
    what = f"reference unit {serial}, taken out and put in anew"
    numbers = range(1, repeats + 1)
    return tuple(measuring_step(number, f"repeat-{number}", f"Measurement {number} of {repeats}", serial, what) for number in numbers)


def results_of(procedure: Procedure, steps: Sequence[Step]) -> tuple[StepResult, ...]:
    """The newest result of every step, in order. Raises UsageError when one is missing, or several specifications were in force."""
    by_position = {result.position: result for result in procedure.results}
    missing = [step.title for step in steps if step.position not in by_position]
    if missing:
        raise UsageError(f"procedure {procedure.number}: {len(missing)} steps have no result; expected all (first: {missing[0]})")
    results = tuple(by_position[step.position] for step in steps)
    labels = {str(result.figures["specification"]) for result in results}
    if len(labels) > 1:
        raise UsageError(
            f"procedure {procedure.number}: steps were measured by specifications {', '.join(sorted(labels))}; expected one: do the older "
            "steps again"
        )
    return results
