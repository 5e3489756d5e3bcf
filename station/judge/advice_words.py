"""Which candidate to fit, and why, in plain words."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from station.axis.markings import pretty
from station.judge import reasons
from station.judge.advice_candidates import Candidate
from station.judge.advice_forecast import SAME_PART
from station.judge.reasons import code_of
from station.specification import Specification

SMALLEST: Final = "smallest part that meets the limits"
BARE: Final = "none needed: the limits are met without a part"
QUANTILE: Final = 3.1  # normal quantile of a share of 0.001, for a rough aim in words

LIMIT_OF: Final = {
    reasons.SNAPBACK: "over_share_good",
    reasons.DULL: "added_lag_s",
    reasons.SLUGGISH: "return_s",
    reasons.SLOW_SETTLE: "settle_s",
    reasons.OFF_CENTRE: "rest_error_counts",
    reasons.SHORT_REACH: "reach_error_counts",
    reasons.REST_SHIFT: "rest_shift_counts",
    reasons.NOISY_WIPER: "noise_counts",
    reasons.CROSS_AXIS: "cross_axis_counts",
}
"""Key of the specification behind each reason."""

BROKEN_PATH: Final = "Look for a broken track, joint or trace first."
HELP: Final = {
    reasons.SNAPBACK: "A larger part than any in stock, or a stick module whose spring throws it less far past rest.",
    reasons.DULL: "A stick module with a stiffer spring (it rings faster, a smaller part acts more), or one that swings less past rest.",
    reasons.SLUGGISH: "A stick module with a stiffer or less worn spring; no part makes a stick return sooner.",
    reasons.SLOW_SETTLE: "A stick module that rings less; no part in stock ends the ringing sooner.",
    reasons.OFF_CENTRE: "Another stick module, or the centring of this one; no part moves the rest.",
    reasons.SHORT_REACH: "Another stick module, or whatever keeps this one from its full deflection; no part changes the reach.",
    reasons.REST_SHIFT: "A stick module with a sounder spring and less friction; no part brings the stick home.",
    reasons.NOISY_WIPER: "Another stick module; a part would hide a bad wiper, not cure it.",
    reasons.CROSS_AXIS: "Another stick module, or its seating; no part uncouples the axes.",
    reasons.DEAD_CHANNEL: BROKEN_PATH,
    reasons.STUCK_HIGH: BROKEN_PATH,
    reasons.STUCK_LOW: BROKEN_PATH,
    reasons.SWAPPED_AXES: "Look at the wiring of the stick first.",
    reasons.REVERSED_AXIS: "Look at the wiring of the stick first.",
}
CAUTIONS: Final = (
    "For qualified persons. The maker's instructions and local workplace rules come first.",
    "Switch off, disconnect and remove batteries first; let charged parts discharge.",
    "Eye protection on; fume extraction running.",
    "The iron is hot: use its stand, and mind what burns.",
    "Static precautions: wrist strap and mat.",
    "Wash hands afterwards and before eating.",
)


@dataclass(frozen=True, slots=True)
class Choice:
    """recommended: None when none will do. outcome: none-needed, remove, keep, fit, larger, smaller or none-will-do.

    blocking: reasons that stand in the way, empty when there is a recommendation. help: what would. further: worth saying beside it.
    larger: what one size larger buys and costs, JSON-ready, None where there is none.
    """

    recommended: Candidate | None
    outcome: str
    reason: str
    blocking: tuple[str, ...] = ()
    help: tuple[str, ...] = ()
    further: tuple[str, ...] = ()
    larger: dict[str, Any] | None = None


def choose(candidates: Sequence[Candidate], fitted_f: float, spec: Specification, standing: Sequence[str]) -> Choice:
    """The smallest candidate that meets the limits with at least the asked chance. Candidates ascend from 0.0."""
    for at, one in enumerate(candidates):
        if one.meets and one.chance >= spec.stock.asked_chance:
            larger = candidates[at + 1] if at + 1 < len(candidates) else None
            outcome, reason = _outcome(one, fitted_f)
            further = _duller(one, candidates, fitted_f) + _one_size_larger(one, larger)
            return Choice(one, outcome, reason, further=tuple(further), larger=_difference(one, larger))
    return _none_will_do(candidates, spec, standing)


def _outcome(one: Candidate, fitted_f: float) -> tuple[str, str]:
    now = pretty(fitted_f)
    if fitted_f == 0.0:
        return ("fit", SMALLEST) if one.capacitance_f else ("none-needed", BARE)
    if _same(one.capacitance_f, fitted_f):
        return "keep", f"the fitted {now} is the {SMALLEST}"
    if one.capacitance_f == 0.0:
        return "remove", f"{BARE}; the fitted {now} is larger than needed"
    if one.capacitance_f < fitted_f:
        return "smaller", f"{SMALLEST}; the fitted {now} is larger than needed"
    return "larger", f"{SMALLEST}; the fitted {now} is too small"


def _same(farads: float, fitted_f: float) -> bool:
    return abs(farads - fitted_f) <= SAME_PART * fitted_f


def _duller(one: Candidate, candidates: Sequence[Candidate], fitted_f: float) -> list[str]:
    """What a fitted part that is larger than needed costs."""
    now = next((other for other in candidates if fitted_f > 0.0 and _same(other.capacitance_f, fitted_f)), None)
    if now is None or now.capacitance_f <= one.capacitance_f:
        return []
    return [f"The stick answers {1e3 * (now.worse('lag_s') - one.worse('lag_s')):.2f} ms later than it must."]


def _one_size_larger(one: Candidate, larger: Candidate | None) -> list[str]:
    if larger is None:
        return []
    gain, cost = one.test_s - larger.test_s, 1e3 * (larger.worse("lag_s") - one.worse("lag_s"))
    buys = f"saves {gain:.0f} s of test time" if gain >= 1.0 else "saves no test time"
    allowed = "" if larger.meets else f", but does not meet: {', '.join(larger.broken)}"
    return [f"One size larger, {pretty(larger.capacitance_f)}, {buys} and adds {cost:.2f} ms of lag{allowed}."]


def _difference(one: Candidate, larger: Candidate | None) -> dict[str, Any] | None:
    if larger is None:
        return None
    return {
        "capacitance_f": larger.capacitance_f,
        "meets": larger.meets,
        "flicks_saved": one.test_flicks - larger.test_flicks,
        "seconds_saved": one.test_s - larger.test_s,
        "lag_cost_s": larger.worse("lag_s") - one.worse("lag_s"),
    }


def _none_will_do(candidates: Sequence[Candidate], spec: Specification, standing: Sequence[str]) -> Choice:
    """Name what stands in the way: what no part cures, what keeps the parts out that would do, or that none is large enough."""
    if standing:
        return _blocked(standing, "no part changes that", ())
    quiet = [one for one in candidates if not any(code_of(reason) == reasons.SNAPBACK for reason in one.broken)]
    if not quiet:
        last = candidates[-1]
        share, good = 100.0 * last.worse("over_share"), 100.0 * spec.decision.over_share_good
        told = f"even {pretty(last.capacitance_f)} leaves {share:.3g} % of flicks beyond the neutral zone ({good:g} % allowed)"
        return _blocked(last.broken, told, _come_down(candidates[0], spec))
    meeting = [one for one in quiet if one.meets]
    if meeting:
        best = max(meeting, key=lambda one: one.chance)
        told = f"{pretty(best.capacitance_f)} meets the limits, but passes with a chance of {best.chance:.2f}"
        reason = f"none will do: asked_chance stands in the way: {told} ({spec.stock.asked_chance:g} asked)"
        return Choice(None, "none-will-do", reason, ("asked_chance",), (HELP[reasons.SNAPBACK],))
    first = min(quiet, key=lambda one: len(one.broken))
    if first.capacitance_f == 0.0:
        return _blocked(first.broken, f"without a part the peaks stay inside the zone, but the stick {_figures(first, spec)}", ())
    told = f"{pretty(first.capacitance_f)} would keep the peaks inside the zone, but {_figures(first, spec)}"
    return _blocked(first.broken, told, _come_down(candidates[0], spec))


def _blocked(broken: Sequence[str], told: str, more: tuple[str, ...]) -> Choice:
    codes = dict.fromkeys(code_of(reason) for reason in broken)
    keys = " and ".join(LIMIT_OF.get(code, code) for code in codes)
    stand = "stand" if len(codes) > 1 else "stands"
    reason = f"none will do: {keys} {stand} in the way ({', '.join(broken)}): {told}"
    return Choice(None, "none-will-do", reason, tuple(broken), (*(HELP[code] for code in codes), *more))


def _figures(one: Candidate, spec: Specification) -> str:
    """The broken figures of a candidate beside their limits."""
    said = {
        reasons.DULL: ("adds", "of lag", one.worse("lag_s"), spec.limits.added_lag_s),
        reasons.SLUGGISH: ("takes", "to return", one.worse("return_s"), spec.limits.return_s),
        reasons.SLOW_SETTLE: ("takes", "to settle", one.worse("settle_s"), spec.limits.settle_s),
    }
    told = [said[code] for code in dict.fromkeys(code_of(reason) for reason in one.broken) if code in said]
    return " and ".join(f"{verb} {1e3 * value:.2f} ms {what} ({1e3 * limit:g} ms allowed)" for verb, what, value, limit in told)


def _come_down(bare: Candidate, spec: Specification) -> tuple[str, ...]:
    """How far the peaks without a part are from a stick that needs none."""
    worst = max(bare.groups, key=lambda group: group.over_share)
    aim = max(spec.host.neutral_zone_counts - QUANTILE * max(worst.sd_counts, spec.decision.sd_floor_counts), 0.0)
    now = f"Without a part the mean peak of {worst.name} is {worst.mean_counts:.1f} counts"
    return (f"{now}; a stick that needs none stays below about {aim:.1f}.",)
