"""Advice for one axis: its flicks forecast with every candidate, and the choice among them."""

import math
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray

from station.axis.predict import Circuit
from station.judge.advice_candidates import Candidate, Retest, candidates_of
from station.judge.advice_forecast import Bends, Figures, Flicks, bends_of, figures_of, flicks_of, predicted_counts
from station.judge.advice_words import Choice, choose
from station.judge.plan import Plan
from station.measure.baseline import Baseline
from station.measure.facts import facts_of
from station.measure.flicks import Found
from station.quantities import AXES, GROUPS
from station.records import Fitted, Floats, Recording
from station.specification import Specification

BATCH: Final = 60  # flicks worked on at once: bounds the memory whatever the length of the recording
FEW: Final = 8  # flicks of a group below which its spread is poorly known; the guarded plan's first look


@dataclass(frozen=True, slots=True)
class Track:
    """Source resistance used: nominal track, its tolerance as a share, and where the figures come from."""

    ohm: float
    tolerance: float
    source: str = "specification"


@dataclass(frozen=True, slots=True)
class Task:
    """What is asked for one axis. standing: reasons of the score that no part can cure."""

    axis: str
    fitted_f: float
    parts: Fitted
    track: Track
    standing: tuple[str, ...]
    u_peak_counts: float
    seed: int


@dataclass(frozen=True, slots=True)
class AxisAdvice:
    """choice is None, and why says the reason, where nothing can be said. flicks: that the advice rests on."""

    fitted_f: float
    why: str
    flicks: int
    candidates: tuple[Candidate, ...]
    choice: Choice | None
    remarks: tuple[str, ...]

    @classmethod
    def unknown(cls, fitted_f: float, why: str) -> "AxisAdvice":
        return cls(fitted_f, why, 0, (), None, ())


def advise_axis(task: Task, recording: Recording, base: Baseline, found: Found, spec: Specification, plan: Plan) -> AxisAdvice:
    """Forecast and choice of one axis of a recording that can be trusted."""
    chosen = _flicks_of_axis(task.axis, recording, found)
    parts = [_batch(chosen[i : i + BATCH], task, recording, base, found, spec) for i in range(0, len(chosen), BATCH)]
    batches = [one for one in parts if one is not None]
    if not batches:
        seen = ", ".join(task.standing) or f"there is no complete flick of {task.axis}+ or {task.axis}-"
        return AxisAdvice.unknown(task.fitted_f, f"nothing can be said: {seen}")
    farads = np.unique(np.array([0.0, *spec.stock.values_f]))
    circuit = Circuit(base.supply_v, task.track.ohm, spec.stick.series_ohm, task.fitted_f)
    figures = _joined([_figures(one, farads, circuit, spec) for one in batches])
    group = np.concatenate([one.group for one in batches])
    tolerances = (spec.stock.tolerance, spec.stock.tolerance if task.fitted_f else 0.0, task.track.tolerance)
    bends: dict[int, Bends] = {}
    for one in batches:
        bends = bends_of(one, farads, circuit, tolerances) | bends if set(one.group.tolist()) - set(bends) else bends
    systematic = math.hypot(task.u_peak_counts, base.u_rest_counts[AXES.index(task.axis)])
    retest = Retest(plan, tolerances, systematic, task.seed)
    candidates = candidates_of(group, farads, figures, bends, spec, retest, task.standing)
    choice = choose(candidates, task.fitted_f, spec, task.standing)
    return AxisAdvice(task.fitted_f, "", len(group), tuple(candidates), choice, _remarks(task.axis, group, len(chosen)))


def _flicks_of_axis(axis: str, recording: Recording, found: Found) -> NDArray[np.intp]:
    """Flicks of the axis; those before the first ordered one of a run are warm-up."""
    mine = found.flicks.axis == AXES.index(axis)
    if recording.commanded:
        mine &= found.flicks.half >= recording.commanded[0].first_sample
    return np.flatnonzero(mine)


def _batch(chosen: NDArray[np.intp], task: Task, recording: Recording, base: Baseline, found: Found, spec: Specification) -> Flicks | None:
    """Those of the chosen flicks that return and were recorded to their end."""
    facts = facts_of(found.values, recording.rate_hz, found.flicks.part(chosen), base, spec, task.parts)
    usable = np.flatnonzero(np.isfinite(facts.release.return_s) & ~facts.swing.cut)
    return flicks_of(facts, usable) if len(usable) else None


def _figures(flicks: Flicks, farads: Floats, circuit: Circuit, spec: Specification) -> Figures:
    wiper, node = predicted_counts(flicks, farads, circuit)
    return figures_of(flicks, wiper, node, farads, spec.limits.settle_band_counts)


def _joined(parts: list[Figures]) -> Figures:
    return Figures(*(np.concatenate([getattr(one, field.name) for one in parts], axis=1) for field in fields(Figures)))


def _remarks(axis: str, group: NDArray[np.int8], found: int) -> tuple[str, ...]:
    """What the reader should know of the flicks behind the advice."""
    out = []
    for name in (f"{axis}+", f"{axis}-"):
        count = int(np.count_nonzero(group == GROUPS.index(name)))
        if count == 0:
            out.append(f"There are no flicks of {name}: that direction is not part of this advice.")
        elif count < FEW:
            out.append(f"Only {count} of {name}: its spread is poorly known, and so are the chances.")
    if found > len(group):
        out.append(f"{found - len(group)} flicks were left out: not recorded to their end, or never back at rest.")
    return tuple(out)
