"""Whether a rig is proven well enough to test units with it, and for how long still. Pure."""

from dataclasses import dataclass
from datetime import datetime

from station.ports.proof import RigProof
from station.proof import Calibration, ReferenceCheck, ReferenceUnit
from station.records import RigIdentity

DAY_S = 86_400.0
WARN_SHARE = 0.9  # of its days or flicks a calibration has used when the warning begins (chosen, no source)


@dataclass(frozen=True, slots=True)
class ProofFacts:
    """What the book says of one rig. flicks: done under the calibration in force."""

    calibration: Calibration | None = None
    flicks: int = 0
    units: tuple[ReferenceUnit, ...] = ()
    check: ReferenceCheck | None = None


def proof_of(rig: str, facts: ProofFacts, identity: RigIdentity | None, now: datetime, shift_began: datetime, procedure: int) -> RigProof:
    """How things stand. identity: None while the rig is not linked: then its firmware cannot be compared."""
    calibration = facts.calibration
    problem = calibration_problem(rig, facts, identity, now)
    check_problem = _reference_problem(facts, identity, shift_began)
    flicks_left = max(0, calibration.flicks_max - facts.flicks) if calibration else 0
    days_left = max(0.0, (calibration.valid_until - now).total_seconds() / DAY_S) if calibration else 0.0
    return RigProof(
        rig=rig,
        calibration=calibration,
        valid=not problem,
        flicks_left=flicks_left,
        days_left=days_left,
        last_check=facts.check,
        reference_due=_due(facts, identity, shift_began),
        blocks=tuple(filter(None, (problem, check_problem))),
        warns=() if problem else _warnings(rig, facts, now),
        procedure=procedure,
    )


def calibration_problem(rig: str, facts: ProofFacts, identity: RigIdentity | None, now: datetime) -> str:
    """Why no calibration is in force, as a sentence with what to do; "" when one is."""
    calibration = facts.calibration
    if calibration is None:
        return f"Rig {rig} has no accepted calibration: recalibrate it before testing."
    name = calibration.name
    if now > calibration.valid_until:
        return f"Calibration {name} of rig {rig} ran out on {calibration.valid_until:%Y-%m-%d}: recalibrate."
    if facts.flicks >= calibration.flicks_max:
        return f"Calibration {name} of rig {rig} was good for {calibration.flicks_max} flicks and has seen {facts.flicks}: recalibrate."
    if identity is not None and identity.firmware != calibration.firmware:
        return f"Rig {rig} runs firmware {identity.firmware}, calibration {name} was made with {calibration.firmware}: recalibrate."
    return ""


def _due(facts: ProofFacts, identity: RigIdentity | None, shift_began: datetime) -> bool:
    if not facts.units:
        return False
    check, calibration = facts.check, facts.calibration
    if check is None or check.at < shift_began:
        return True
    return (calibration is not None and check.calibration != calibration.name) or (
        identity is not None and check.firmware != identity.firmware
    )


def _reference_problem(facts: ProofFacts, identity: RigIdentity | None, shift_began: datetime) -> str:
    serials = " or ".join(sorted(unit.serial for unit in facts.units))
    if facts.units and facts.check is not None and not facts.check.within:
        off = [one for one in facts.check.deviations if not one.within]
        shown = "; ".join(
            f"{one.stick} {one.place} {one.figure} {one.measured:.4g}, expected {one.reference.value:.4g} within {one.reference.limit:.2g}"
            for one in off[:2]
        )
        return f"Reference unit {facts.check.serial} is off ({shown}): find the cause, then measure it again."
    if _due(facts, identity, shift_began):
        return f"Reference unit {serials} is due: measure it before testing (start of a shift, or something was changed)."
    return ""


def _warnings(rig: str, facts: ProofFacts, now: datetime) -> tuple[str, ...]:
    calibration = facts.calibration
    found = []
    if calibration is not None:
        whole_s = (calibration.valid_until - calibration.made_at).total_seconds()
        left_s = (calibration.valid_until - now).total_seconds()
        if left_s < (1.0 - WARN_SHARE) * whole_s:
            found.append(f"Calibration {calibration.name} of rig {rig} runs out in {left_s / DAY_S:.1f} days.")
        if facts.flicks > WARN_SHARE * calibration.flicks_max:
            found.append(f"Calibration {calibration.name} of rig {rig} is good for {calibration.flicks_max - facts.flicks} more flicks.")
    if not facts.units:
        found.append(f"Rig {rig} has no reference unit: find the values of one, so that each shift can begin with it.")
    return tuple(found)
