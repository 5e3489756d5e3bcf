"""Type 1 study: one reference measured many times. Bias with its t test, repeatability, Cg and Cgk, drift over the trials.

    Cg  = share T / (spread s)                 Cgk = (share T / 2 - |bias|) / (spread s / 2)

with share 0.2 of the tolerance T and spread 6 standard deviations, least value 1.33 each (common practice, no source; other houses take
share 0.1 or spread 4 or 5.15, hence the rule can be given). Normal law assumed; the t test and interval are exact under it.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np
from scipy.special import chdtri, stdtr, stdtrit

from station.errors import UsageError
from station.records import Floats

FORMAT: Final = "restpoint-type1/1"
CONFIDENCE: Final = 0.95
TAIL: Final = 0.5 * (1.0 - CONFIDENCE)


@dataclass(frozen=True, slots=True)
class Type1Rule:
    """What a type 1 study is held to. drift_p: chance at which a reference that does not drift is flagged all the same.

    repeats_least: 25 leave the standard deviation known to within -22 % and +39 % at 95 % confidence (chi-square, 24 degrees of freedom),
    so a Cg of 1.33 surely means more than 0.9; ten would leave -31 % and +83 %.
    """

    share_of_tolerance: float = 0.2
    spread_sd: float = 6.0
    cg_least: float = 1.33
    cgk_least: float = 1.33
    repeats_least: int = 25
    drift_p: float = 0.01

    @property
    def sentence(self) -> str:
        return (
            f"accepted when Cg is at least {self.cg_least:g} and Cgk at least {self.cgk_least:g} with {self.share_of_tolerance:g} of the "
            f"tolerance against {self.spread_sd:g} standard deviations (common practice, no source), from at least {self.repeats_least} "
            f"repeats without a drift (test at {self.drift_p:g})"
        )


DEFAULT: Final = Type1Rule()


def type_1_study(
    repeats: Mapping[str, Sequence[float]],
    references: Mapping[str, float],
    tolerances: Mapping[str, float | None],
    rule: Type1Rule = DEFAULT,
) -> dict[str, Any]:
    """Evaluation of many figures at once, JSON-ready. repeats: by figure, in the order measured; all mappings by the same figure names.

    problems: of figures that have a tolerance, each with its figure named; the study is accepted when there are none. Raises UsageError
    for a figure without a reference, with fewer than two repeats or values that are no numbers.
    """
    figures = {}
    for name, values in repeats.items():
        if name not in references:
            raise UsageError(f"reference value of {name} is missing; expected one for every figure measured")
        figures[name] = type_1_figure(values, references[name], tolerances.get(name), rule, name)
    problems = [f"{name}: {problem}" for name, figure in figures.items() for problem in figure["problems"]]
    if all(figure["tolerance"] is None for figure in figures.values()):
        problems.append("no figure has a tolerance to be compared with; expected at least one")
    return {"format": FORMAT, "rule": {**asdict(rule), "in_words": rule.sentence}, "figures": figures, "problems": problems}


def type_1_figure(
    values: Sequence[float], reference: float, tolerance: float | None, rule: Type1Rule = DEFAULT, name: str = "the figure"
) -> dict[str, Any]:
    """Evaluation of one figure, JSON-ready; cg, cgk: None without a tolerance or without spread. Raises UsageError as `type_1_study`."""
    found = np.asarray(values, dtype=np.float64)
    _check(found, reference, tolerance, name)
    bias, sd = float(found.mean() - reference), float(found.std(ddof=1))
    cg, cgk = _indices(bias, sd, tolerance, rule)
    figure = {
        "repeats": len(found),
        "reference": reference,
        "tolerance": tolerance,
        "mean": float(found.mean()),
        "bias": _bias(bias, sd, len(found)),
        "repeatability_sd": sd,
        "repeatability_sd_interval": _sd_interval(sd, len(found) - 1),
        "cg": cg,
        "cgk": cgk,
        "drift": _drift(found, rule),
        "values": found.tolist(),
    }
    return {**figure, "problems": _problems(figure, rule) if tolerance is not None else [], "notes": _notes(figure)}


def _check(values: Floats, reference: float, tolerance: float | None, name: str) -> None:
    if len(values) < 2:
        raise UsageError(f"{name} was measured {len(values)} times; expected at least two repeats")
    if not np.isfinite(values).all():
        place = int(np.argmin(np.isfinite(values))) + 1
        raise UsageError(f"{name}, repeat {place}, could not be measured; expected a number. Measure it again")
    if not math.isfinite(reference):
        raise UsageError(f"reference value of {name} is {reference}; expected a number")
    if tolerance is not None and not 0.0 < tolerance < math.inf:
        raise UsageError(f"tolerance of {name} is {tolerance}; expected a width above 0, in the unit of the values")


def _indices(bias: float, sd: float, tolerance: float | None, rule: Type1Rule) -> tuple[float | None, float | None]:
    if tolerance is None or sd == 0.0:
        return None, None
    room, spread = rule.share_of_tolerance * tolerance, rule.spread_sd * sd
    return room / spread, (0.5 * room - abs(bias)) / (0.5 * spread)


def _bias(bias: float, sd: float, n: int) -> dict[str, Any]:
    """Bias with its two-sided interval, t and p; t and p None without spread."""
    error = sd / math.sqrt(n)
    half = float(stdtrit(n - 1, 1.0 - TAIL)) * error
    t = bias / error if error > 0.0 else None
    return {
        "value": bias,
        "lower": bias - half,
        "upper": bias + half,
        "t": t,
        "df": n - 1,
        "p": None if t is None else 2.0 * float(stdtr(n - 1, -abs(t))),
    }


def _sd_interval(sd: float, df: int) -> dict[str, float]:
    low, high = (sd * math.sqrt(df / float(chdtri(df, chance))) for chance in (TAIL, 1.0 - TAIL))
    return {"lower": low, "upper": high}


def _drift(values: Floats, rule: Type1Rule) -> dict[str, Any]:
    """Straight line over the trials: change per trial and over the study, t test of the slope (needs three values and some scatter)."""
    n = len(values)
    x = np.arange(n) - 0.5 * (n - 1)
    slope = float(x @ values / (x @ x))
    rest = values - values.mean() - slope * x
    error = math.sqrt(float(rest @ rest) / (n - 2) / float(x @ x)) if n > 2 else 0.0
    p = 2.0 * float(stdtr(n - 2, -abs(slope) / error)) if error > 0.0 else None
    return {"per_trial": slope, "over_study": slope * (n - 1), "p": p, "flagged": p is not None and p < rule.drift_p}


def _problems(figure: Mapping[str, Any], rule: Type1Rule) -> list[str]:
    found = []
    if figure["repeats"] < rule.repeats_least:
        found.append(f"{figure['repeats']} repeats; expected at least {rule.repeats_least}, fewer leave the spread too uncertain")
    if figure["repeatability_sd"] == 0.0:
        found.append("all repeats are equal; expected some spread: values this coarse cannot prove the rig")
    for key, least, cause in (
        ("cg", rule.cg_least, "the repeats scatter too much"),
        ("cgk", rule.cgk_least, "bias and scatter are too large"),
    ):
        if figure[key] is not None and figure[key] < least:
            found.append(f"{key.capitalize()} is {figure[key]:.2f}; expected at least {least:g}: {cause} for this tolerance")
    drift = figure["drift"]
    if drift["flagged"]:
        found.append(
            f"the values drift by {drift['over_study']:+.3g} over the study (p = {drift['p']:.2g}); expected no drift: let the rig warm up"
        )
    return found


def _notes(figure: Mapping[str, Any]) -> list[str]:
    bias, found = figure["bias"], []
    if bias["p"] is not None:
        known = "differs from" if bias["p"] < 1.0 - CONFIDENCE else "cannot be told from"
        found.append(f"the bias {bias['value']:+.3g} {known} zero (t = {bias['t']:.2f}, p = {bias['p']:.2g})")
    if figure["tolerance"] is None:
        found.append("no tolerance: Cg and Cgk cannot be told, the figure is shown and not judged")
    return found
