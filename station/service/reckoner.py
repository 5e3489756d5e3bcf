"""The station's reckoning: advice, checks of retests and estimates by the code that judges."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from station.judge.advice import Track, advise
from station.judge.learning import Comparison, SourceEstimate, compare_retest, comparison_from, estimate_source, track_for
from station.judge.retest import checks_of
from station.judge.retest_axis import AxisCheck
from station.judge.retest_weigh import NOT_ACTING, OTHER_VALUE
from station.judge.retest_words import METHOD, axis_document, wrong_pad
from station.quantities import AXES
from station.records import Fitted, Recording
from station.rework import Checked, EstimateRow, Lesson, LotKey, Part, RunFacts
from station.service.reckoning import Pair
from station.specification import Specification

Documents = Mapping[str, Mapping[str, Any]]


class StationReckoning:
    """Implements station.service.reckoning.Reckoning. Pure."""

    def advise(
        self, facts: RunFacts, recordings: Mapping[str, Recording], spec: Specification, estimates: Sequence[EstimateRow]
    ) -> dict[str, dict[str, Any]]:
        track = _track(facts, spec, estimates)
        return {stick: advise(one, spec, facts.acting.get(stick, Fitted()), track) for stick, one in recordings.items()}

    def check(
        self,
        before: RunFacts,
        after: RunFacts,
        pairs: Mapping[str, Pair],
        spec: Specification,
        parts: Sequence[Part],
        estimates: Sequence[EstimateRow],
    ) -> Checked:
        track = _track(before, spec, estimates)
        changed = {(part.stick, part.axis) for part in parts}
        findings: dict[str, dict[str, Any]] = {}
        lessons: list[Lesson] = []
        for stick, pair in pairs.items():
            acted, recorded = before.acting.get(stick, Fitted()), after.fitted.get(stick, Fitted())
            checks = checks_of(pair.before, pair.after, spec, acted, recorded, track)
            findings |= {f"{stick} {axis}": _finding(axis, checks, spec, track) for axis in AXES}
            compared = {axis: _compared(axis, stick, one, before, after, track) for axis, one in checks.items() if (stick, axis) in changed}
            lessons += [_lesson(one) for one in compared.values() if one is not None]
        return Checked("", findings, tuple(lessons))

    def estimate(self, key: LotKey, lessons: Sequence[Mapping[str, Any]], spec: Specification, at: datetime) -> EstimateRow:
        made = estimate_source([comparison_from(one) for one in lessons], spec, key.lot)
        return EstimateRow(
            key=key,
            version=0,
            digest=made.version,
            name=made.name,
            retests=made.retests,
            ohm=made.track_ohm,
            tolerance=made.tolerance,
            used=made.usable,
            document=made.document(),
            made_at=at,
        )


def _track(facts: RunFacts, spec: Specification, estimates: Sequence[EstimateRow]) -> Track:
    return track_for(spec, [_source_estimate(one.document) for one in estimates], facts.unit.lot)


def _source_estimate(document: Mapping[str, Any]) -> SourceEstimate:
    same = ("product", "lot", "track_ohm", "u_share", "spread_share", "retests", "version", "method")
    return SourceEstimate(**{name: document[name] for name in same}, inputs=tuple(document["inputs"]))


def _finding(axis: str, checks: Mapping[str, AxisCheck], spec: Specification, track: Track) -> dict[str, Any]:
    """One axis, with what acts there by this check and the sentence of a part that sits on the other axis' pads."""
    one, elsewhere = checks[axis], wrong_pad(checks)
    document = {**axis_document(axis, one, spec), "acting_f": _acting_f(one), "wrong_pad": elsewhere}
    words = " ".join(filter(None, (document["in_words"], elsewhere if one.finding == NOT_ACTING else "")))
    return {
        **document,
        "in_words": words,
        "track": {"ohm": track.ohm, "tolerance": track.tolerance, "source": track.source},
        "method": METHOD,
    }


def _acting_f(one: AxisCheck) -> float:
    """Capacitance to reckon with from now on: as recorded, unless the check found otherwise."""
    if one.finding == NOT_ACTING and one.weighed is not None:
        return one.weighed.acting_f or 0.0
    if one.finding == OTHER_VALUE and one.weighed is not None:
        return one.weighed.value.capacitance_f
    return one.recorded_f


def _compared(axis: str, stick: str, one: AxisCheck, before: RunFacts, after: RunFacts, track: Track) -> Comparison | None:
    return compare_retest(one, after.unit, axis, before.number, after.number, track, stick)


def _lesson(one: Comparison) -> Lesson:
    return Lesson(
        stick=one.stick,
        axis=one.axis,
        farads=one.fitted_f,
        predicted_counts=one.predicted_peak_counts,
        measured_counts=one.measured_peak_counts,
        finding=one.finding,
        source=one.track_source,
        document=one.document(),
    )
