"""The retest checks the solder work: what the parts recorded as fitted should have done to the stick, against what the retest measured.

Method. The flicks of the recording before the work go back to the wiper and forward through every part that might now act
(station.axis.model). Five figures of every flick are summarised by their means: far-side peak, swing back after it, return time, time from
the 10 % crossing to the peak, and from the peak to the swing back. The first, third and fourth move with the part, while the rate and the
decay of the ringing belong to the stick, which is what tells a part from a stick. Each explanation predicts the means of the retest; their
likelihood is a multivariate Student t whose scale matrix holds the flick-to-flick spread of both recordings over their numbers of flicks,
part and track tolerance (rectangular, JCGM 100:2008, 4.3.7), measurement uncertainty, what the axis model leaves, and how exactly a stick
comes back after it was taken out and clamped again. Unknown values (the acting capacitance, the change of the stick) are integrated over a
stated prior. Weights are prior times likelihood, normed to one (Bayes' rule).
"""

from collections.abc import Mapping
from typing import Any, Final

from station.judge.advice_axis import Track
from station.judge.retest_axis import NOT_MEASURED, AxisCheck, check_axis
from station.judge.retest_flicks import Returns, returns_of
from station.judge.retest_weigh import PRIORS
from station.judge.retest_words import METHOD, axis_document, wrong_pad
from station.quantities import AXES
from station.records import Fitted, Recording
from station.specification import Specification

__all__ = ["FORMAT", "check_retest", "checks_of", "retest_document"]

FORMAT: Final = "restpoint-retest/1"


def check_retest(
    before: Recording, after: Recording, spec: Specification, fitted_before: Fitted, fitted_recorded: Fitted, track: Track | None = None
) -> dict[str, Any]:
    """The finding of each axis and its likelihoods, JSON-ready.

    before, after: recordings of the same stick before the work and at the retest. fitted_before: what acted in `before`.
    fitted_recorded: totals that should act in `after`. track: an estimate in place of the specification's figure.

    `axes.<axis>.finding` is one of as-recorded, not-acting, other-value, changed-stick (see PRIORS of station.judge.retest_weigh),
    unexplained (none of these fits), cannot-tell (no explanation weighs enough), not-measured. Never raises for what a recording holds.
    """
    used = track or Track(spec.stick.track_ohm, spec.stick.track_tolerance)
    return retest_document(checks_of(before, after, spec, fitted_before, fitted_recorded, used), spec, used)


def retest_document(checks: Mapping[str, AxisCheck], spec: Specification, track: Track) -> dict[str, Any]:
    """The document of check_retest from checks_of, for who wants both."""
    return {
        "format": FORMAT,
        "spec": spec.label,
        "axes": {axis: axis_document(axis, one, spec) for axis, one in checks.items()},
        "wrong_pad": wrong_pad(checks),
        "track": {"ohm": track.ohm, "tolerance": track.tolerance, "series_ohm": spec.stick.series_ohm, "source": track.source},
        "priors": dict(PRIORS),
        "method": METHOD,
    }


def checks_of(
    before: Recording, after: Recording, spec: Specification, fitted_before: Fitted, fitted_recorded: Fitted, track: Track
) -> dict[str, AxisCheck]:
    """The same as plain data, by axis; station.judge.learning.compare_retest makes a line of the ledger of each."""
    first, second = returns_of(before, spec, fitted_before), returns_of(after, spec, fitted_recorded)
    return {axis: _axis(axis, first, second, spec, fitted_before, fitted_recorded, track) for axis in AXES}


def _axis(
    axis: str, first: Returns, second: Returns, spec: Specification, fitted_before: Fitted, fitted_recorded: Fitted, track: Track
) -> AxisCheck:
    before_f, recorded_f = (getattr(one, f"{axis}_f") for one in (fitted_before, fitted_recorded))
    for returns, name in ((first, "before the work"), (second, "of the retest")):
        if not returns.axes.get(axis):
            why = returns.why or f"it holds no complete flick of {axis}"
            return AxisCheck(before_f, recorded_f, NOT_MEASURED, f"Nothing can be said of {axis}: recording {name}: {why.rstrip('.')}.")
    return check_axis(first, second, axis, before_f, recorded_f, spec, track)
