"""Carries steps of a rig's open procedure out on the metal: what must be good before, rest and the end of sampling after."""

from collections.abc import Callable
from contextlib import suppress

from station.errors import NotReady, RestpointError, RigError
from station.ports import Rig, Sample, Unclamp
from station.proof import Step
from station.records import RigIdentity, RigStatus
from station.service.proving.conductor import Asked, Conductor, Proving
from station.service.proving.course import STREAM_BASE, ProofBench
from station.service.readiness import machine_missing

Tell = Callable[[], None]


class Lead:
    """Between a rig's worker and its conductor."""

    def __init__(self, rig: Rig, conductor: Conductor, around: Proving, tell: Tell) -> None:
        self._rig = rig
        self._conductor = conductor
        self._around = around
        self._tell = tell
        self._openings: int | None = None  # of the clamp, when the last unit of this procedure was measured

    def step(self, asked: Asked, identity: RigIdentity, status: RigStatus) -> None:
        """Carry the wanted step out. What hinders it stands in the view, also that the link was lost: the next turn sees to that."""
        stream = STREAM_BASE + self._conductor.number
        try:
            step = self._conductor.next(asked.position)
            if step is None:
                self._conductor.conclude()
            else:
                self._carry_out(step, asked, identity, status)
        except RestpointError as problem:
            self._conductor.failed(str(problem))
        finally:
            self._rig.halt()
            self._end_samples(stream)
            self._tell()

    def _carry_out(self, step: Step, asked: Asked, identity: RigIdentity, status: RigStatus) -> None:
        self._require(step, status)
        by = asked.operator or step.operator or self._conductor.opener()
        self._conductor.carry_out(self._bench(identity), step, by, self._tell)
        if step.unit:
            self._openings = status.inputs.clamp_openings
            self._release()

    def _bench(self, identity: RigIdentity) -> Callable[[int, Callable[[str], None]], ProofBench]:
        around = self._around

        def bench(stream: int, say: Callable[[str], None]) -> ProofBench:
            return ProofBench(self._rig, around.clock, identity, stream, around.specification_of, around.fitted, say)

        return bench

    def _require(self, step: Step, status: RigStatus) -> None:
        """Raises NotReady with all that is missing before the finger may move."""
        if not step.moves:
            return
        missing = machine_missing(status)
        if step.unit and self._openings == status.inputs.clamp_openings:
            missing.append(f"The clamp has not been opened since the last step: take the unit out and put {step.unit} in.")
        if missing:
            raise NotReady(" ".join(missing))

    def _end_samples(self, stream: int) -> None:
        """A step that ended badly leaves the stream on; a rig that is gone has ended it itself."""
        with suppress(RigError):
            if self._rig.poll(0.0).run_number == stream:
                self._rig.carry_out(Sample(stream, False))
                self._rig.take_samples()

    def _release(self) -> None:
        """A measured unit is let out of the clamp, as after a run."""
        self._rig.halt()
        with suppress(RigError):
            self._rig.carry_out(Unclamp())
