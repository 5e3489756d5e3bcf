"""Judge: from what was gathered to scores and evidence."""

from collections.abc import Iterable

from station.errors import ScorerFailed
from station.judge.score import score_recording
from station.measure.health import health_of, pooled
from station.quantities import GROUPS
from station.records import Score
from station.service.act import StickAct
from station.service.computing import computing
from station.service.evidence import Amiss, StickEvidence
from station.specification import Specification


def judge_stick(stick: StickAct, specification: Specification) -> Score | Amiss:
    """Score of the whole recording, by the code that scores any recording; Amiss `scorer` if that code fails."""
    try:
        with computing(stick.trace.stick):
            return score_recording(stick.trace.recording(), specification, stick.fitted, stick.modes)
    except ScorerFailed as failed:
        return Amiss(failed.code, str(failed))


def stick_evidence(stick: StickAct) -> StickEvidence:
    """What was ordered and what came. A group that never answered is left to the scorer, which tells a dead channel from the rest."""
    progress = stick.schedule.groups
    missing = tuple(group for group in GROUPS if progress[group].missed and stick.seen[group])
    received = len(stick.trace)
    return StickEvidence(
        stick=stick.trace.stick,
        samples_expected=stick.samples_expected,
        samples_received=received,
        contiguous=stick.trace.contiguous,
        tick_span_s=stick.trace.tick_span_s,
        sample_span_s=max(received - 1, 0) / stick.trace.rate_hz,
        flicks_commanded=sum(one.commanded for one in progress.values()),
        flicks_seen=sum(stick.seen.values()),
        missing_flicks=missing,
    )


def commanded_flicks(sticks: Iterable[StickAct]) -> int:
    """How often the finger moved: flicks of all sticks, those of the warm-up included."""
    return sum(len(stick.trace.commanded) + stick.warm_up for stick in sticks)


def rig_health(sticks: Iterable[StickAct], specification: Specification) -> dict[str, float]:
    """Figures of proof.HEALTH, pooled over the sticks; of a recording that our own code cannot take, none: the run itself says why."""
    found = []
    for stick in sticks:
        try:
            with computing(stick.trace.stick):
                found.append(health_of(stick.trace.recording(), specification))
        except ScorerFailed:  # logged where it was raised; a run is not lost for what it tells by the way
            continue
    return pooled(found) if found else {}
