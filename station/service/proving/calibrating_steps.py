"""The steps of a calibration as the person at the bench reads them."""

from collections.abc import Mapping
from typing import Any, Final

from station.proof import Step
from station.quantities import GROUPS

CAUTIONS: Final = (
    "From here on the finger moves: it can pinch. Keep hands out from start to the end of the step.",
    "Close the guard. See that the emergency stop is within your reach. Switch the supply off before hands go in.",
    "The stop on the screen is no safety function; the emergency stop is. Local rules and the qualified person on the spot decide.",
)
SIDES: Final = {"x+": "to the right", "x-": "to the left", "y+": "away from you", "y-": "towards you"}


def steps_of(plan: Mapping[str, Any]) -> tuple[Step, ...]:
    """All steps, positions from 1."""
    rows = [
        ("prepare", "Prepare", PREPARE, False),
        ("sampler", "Check the sampler", SAMPLER, False),
        ("clock", "Check the clocks", CLOCK, False),
        *((f"sweep {group}", f"Sweep {group}", _sweep(group, plan, first=group == GROUPS[0]), True) for group in GROUPS),
        *((f"flicks {group}", f"Flick {group}", _flicks(group, plan), True) for group in GROUPS),
    ]
    return tuple(Step(position, name, title, says, moves) for position, (name, title, says, moves) in enumerate(rows, 1))


PREPARE: Final = (
    "Compare the rig's name on the screen with the plate on the rig.",
    "Open the guard. Look at the finger: screw tight, tip whole and clean.",
    "Clamp a good unit with no parts fitted to its sticks, and feel that it cannot move in the clamp.",
    "Take your hands out and close the guard. Press start. Nothing moves yet.",
)
SAMPLER: Final = (
    "Leave the unit clamped and the guard closed. Press start.",
    "Nothing moves. The sampler reads its reference levels: two seconds.",
)
CLOCK: Final = ("Press start.", "Nothing moves. The rig's clock is compared with this computer's: twelve seconds.")


def _sweep(group: str, plan: Mapping[str, Any], *, first: bool) -> tuple[str, ...]:
    own = (
        "Guard closed, hands out. Press start.",
        f"The finger pushes the stick {SIDES[group]} slowly, {plan['sweeps']} times, until it slips off: about a quarter of a minute.",
    )
    return (*CAUTIONS, *own) if first else own


def _flicks(group: str, plan: Mapping[str, Any]) -> tuple[str, ...]:
    return (
        "Guard closed, hands out. Press start.",
        f"The stick is left alone for three seconds, then flicked {plan['flicks']} times {SIDES[group]}. This is quick and loud.",
    )
