"""What is missing before a run may start, in words an operator can act on. Pure."""

from dataclasses import dataclass

from station.records import LastRun, RigInputs, RigStatus, UnitIdentity, Verdict


@dataclass(frozen=True, slots=True)
class AfterRun:
    """Input counters when the last run of this rig ended, and the serial it was for."""

    serial: str
    inputs: RigInputs


@dataclass(frozen=True, slots=True)
class Bench:
    """What the worker knows when it asks whether a run may start. specification: "" when the product has none.

    unproven: why the rig is not proven well enough. trial: the specification allows trial runs, which end as invalid then.
    """

    status: RigStatus
    unit: UnitIdentity | None
    specification: str
    after: AfterRun | None
    store_problem: str = ""
    unproven: tuple[str, ...] = ()
    trial: bool = False


def missing(bench: Bench) -> tuple[str, ...]:
    """Sentences, most urgent first; empty when pressing start begins a run."""
    found = [*machine_missing(bench.status), *_unit(bench)]
    if not bench.trial:
        found.extend(bench.unproven)
    if bench.store_problem:
        found.append(bench.store_problem)
    return tuple(found)


def machine_missing(status: RigStatus) -> list[str]:
    """What keeps the finger from moving at all."""
    inputs = status.inputs
    found = []
    if not inputs.stop_good:
        found.append("Emergency stop is pressed: release it, then press reset.")
    if status.fault:
        found.append(f"The rig stopped with fault {status.fault}: find the cause, then press reset.")
    if not inputs.clamp_closed:
        found.append("Clamp is open: put a unit in and close the clamp.")
    if not inputs.guard_closed:
        found.append("Guard is open: hands out, close the guard.")
    return found


def _unit(bench: Bench) -> list[str]:
    if bench.unit is None:
        return ["No serial number: scan the unit."]
    found = []
    if not bench.specification:
        found.append(f"No specification for product {bench.unit.product!r}: load one, or scan a unit of a known product.")
    after = bench.after
    if after is not None and after.serial != bench.unit.serial:
        if after.inputs.clamp_closed and after.inputs.clamp_openings == bench.status.inputs.clamp_openings:
            found.append(f"The clamp has not been opened since unit {after.serial}: change the unit, then scan again.")
        if after.inputs.guard_closed and after.inputs.guard_openings == bench.status.inputs.guard_openings:
            found.append("The guard was not seen open between two units: check the guard switch.")
    return found


def way_on(last: LastRun | None) -> str:
    """What the last run of this unit left open, as one sentence; "" when there is nothing to say."""
    if last is None or last.verdict in (Verdict.PASS, Verdict.FAIL):
        return ""
    if last.verdict is Verdict.UNDECIDED:
        groups = ", ".join(last.undecided_groups) or ", ".join(last.reasons) or "some group"
        return f"Run {last.number} left this unit undecided: {groups} still wants evidence. Start tests it again."
    because = ", ".join(last.reasons) or "it did not end"
    return (
        f"Run {last.number} of this unit was invalid ({because}) and says nothing of it. Nothing has been shown yet: start tests it whole."
    )
