"""Evidence before verdict. A run may pass only through SealedEvidence, which `seal` alone makes, and only when nothing is amiss.

Limits without another source are chosen on emulated data (decision record 3).
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from station.records import RigIdentity, RigInputs, Score, Verdict

CLOCK_LIMIT = 0.01  # rig clock against host clock; the measuring definitions allow 1 % on sample spacing
CLOCK_JITTER_S = 0.08  # of the host's time stamps: one status period and a busy scheduler
SAMPLE_CLOCK_LIMIT = 0.001  # sample count against the rig's own ticks
SUPPLY_ERROR_LIMIT = 0.10  # measured supply against the specification: a wrong product or a bad contact
SUPPLY_DRIFT_LIMIT = 0.01  # within one run: one count of 128


@dataclass(frozen=True, slots=True)
class StickEvidence:
    """What was ordered and what came, for one stick. missing_flicks: by group, on axes that do respond."""

    stick: str
    samples_expected: int
    samples_received: int
    contiguous: bool
    tick_span_s: float
    sample_span_s: float
    flicks_commanded: int
    flicks_seen: int
    missing_flicks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RunEvidence:
    """All a run's verdict rests on. Seconds of rig and host are from the first to the last command of the run.

    calibration_problem: why the calibration named does not hold, "" when it does. guard_band_from: where the guard band's figure is from.
    continues: number of the undecided run whose passed groups this one stands on, 0 for a whole test; carried: those groups, by stick.
    """

    sticks: tuple[StickEvidence, ...]
    identity_before: RigIdentity
    boot_after: int
    inputs_before: RigInputs
    inputs_after: RigInputs
    fault_after: str
    supply_nominal_v: float
    supply_before_v: float
    supply_after_v: float
    rig_seconds: float
    host_seconds: float
    specification_digest: str
    calibration: str
    calibration_problem: str = ""
    guard_band_counts: float = 0.0
    guard_band_from: str = ""
    continues: int = 0
    carried: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def document(self) -> dict[str, Any]:
        """JSON-ready."""
        return asdict(self)


class SealedEvidence:
    """Proof that a run's record is whole. Made by `seal` alone."""

    __slots__ = ("evidence",)
    _key = object()

    def __init__(self, evidence: RunEvidence, key: object) -> None:
        if key is not SealedEvidence._key:
            raise TypeError("SealedEvidence is made by seal() alone")
        self.evidence = evidence


@dataclass(frozen=True, slots=True)
class Amiss:
    """One thing that keeps the evidence from being sealed: its reason code and one sentence with the reading."""

    reason: str
    sentence: str


def seal(evidence: RunEvidence) -> SealedEvidence | tuple[Amiss, ...]:
    """SealedEvidence if nothing is amiss, else everything that is."""
    found = (
        *_inputs_amiss(evidence),
        *_samples_amiss(evidence),
        *_clock_amiss(evidence),
        *_supply_amiss(evidence),
        *_calibration_amiss(evidence),
    )
    return found or SealedEvidence(evidence, SealedEvidence._key)


def conclude(sealed: SealedEvidence, scores: Mapping[str, Score]) -> tuple[Verdict, tuple[str, ...]]:
    """Verdict and reasons of a unit from its sticks' scores: invalid > fail > undecided > pass. The only way to a pass."""
    judged = [_with_carried(score, sealed.evidence.carried.get(stick, ())) for stick, score in scores.items()]
    verdict = worst([one for one, _ in judged]) if judged and sealed.evidence.sticks else Verdict.UNDECIDED
    kept = [reasons for one, reasons in judged if verdict is not Verdict.INVALID or one is Verdict.INVALID]
    return verdict, tuple(dict.fromkeys(reason for reasons in kept for reason in reasons))


def _with_carried(score: Score, carried: tuple[str, ...]) -> tuple[Verdict, tuple[str, ...]]:
    """Verdict and reasons of a stick, groups that an earlier run passed being no longer missing."""
    left = tuple(reason for reason in score.reasons if reason not in {f"missing-group:{group}" for group in carried})
    open_still = left or score.figures.get("doubtful") or score.figures.get("undecided_groups")
    if carried and score.verdict is Verdict.UNDECIDED and not open_still:
        return Verdict.PASS, ()
    return score.verdict, left


def worst(verdicts: Sequence[Verdict]) -> Verdict:
    """The verdict that takes precedence."""
    order = (Verdict.INVALID, Verdict.FAIL, Verdict.UNDECIDED, Verdict.PASS)
    return min(verdicts, key=order.index)


def _inputs_amiss(evidence: RunEvidence) -> list[Amiss]:
    before, after = evidence.inputs_before, evidence.inputs_after
    found = []
    if after.stop_events != before.stop_events or not after.stop_good:
        found.append(Amiss("rig-stop", "The emergency stop opened during the run."))
    if after.guard_openings != before.guard_openings or not after.guard_closed:
        found.append(Amiss("rig-guard", "The guard opened during the run."))
    if after.clamp_openings != before.clamp_openings or not after.clamp_closed:
        found.append(Amiss("rig-clamp", "The clamp opened during the run."))
    if evidence.boot_after != evidence.identity_before.boot:
        sentence = f"The rig restarted during the run: boot {evidence.identity_before.boot} became {evidence.boot_after}."
        found.append(Amiss("rig-link", sentence))
    if evidence.fault_after:
        found.append(Amiss("rig-link", f"The rig ended the run with fault {evidence.fault_after}."))
    return found


def _samples_amiss(evidence: RunEvidence) -> list[Amiss]:
    found = []
    for one in evidence.sticks:
        if not one.contiguous or one.samples_received != one.samples_expected:
            sentence = f"Stick {one.stick}: {one.samples_received} samples of {one.samples_expected} came whole and in order."
            found.append(Amiss("rig-link", sentence))
        if one.missing_flicks:
            sentence = f"Stick {one.stick}: flicks ordered but not seen in the signal: {', '.join(one.missing_flicks)}."
            found.append(Amiss("rig-stimulus", sentence))
    return found


def _clock_amiss(evidence: RunEvidence) -> list[Amiss]:
    found = []
    for one in evidence.sticks:
        error = abs(one.tick_span_s - one.sample_span_s) / one.sample_span_s if one.sample_span_s > 0 else 0.0
        if error > SAMPLE_CLOCK_LIMIT:
            found.append(Amiss("rig-clock", f"Stick {one.stick}: samples are {error:.2%} off the rig's clock; at most 0.1 %."))
    off_s = abs(evidence.rig_seconds - evidence.host_seconds)
    allowed_s = CLOCK_LIMIT * evidence.host_seconds + CLOCK_JITTER_S
    if off_s > allowed_s:
        sentence = (
            f"The rig counted {evidence.rig_seconds:.3f} s, this computer {evidence.host_seconds:.3f} s; at most {allowed_s:.3f} s apart."
        )
        found.append(Amiss("rig-clock", sentence))
    return found


def _calibration_amiss(evidence: RunEvidence) -> list[Amiss]:
    if evidence.calibration and not evidence.calibration_problem:
        return []
    return [Amiss("rig-calibration", evidence.calibration_problem or "The run names no calibration: the rig must have one in force.")]


def _supply_amiss(evidence: RunEvidence) -> list[Amiss]:
    nominal, before, after = evidence.supply_nominal_v, evidence.supply_before_v, evidence.supply_after_v
    if not abs(before - nominal) <= SUPPLY_ERROR_LIMIT * nominal:
        return [Amiss("rig-supply", f"The unit's supply is {before:.3f} V; expected {nominal:.2f} V within 10 %.")]
    if not abs(after - before) <= SUPPLY_DRIFT_LIMIT * before:
        return [Amiss("rig-supply", f"The unit's supply went from {before:.3f} V to {after:.3f} V during the run; at most 1 % is allowed.")]
    return []
