"""The score of a recording: measured, judged, and said with its reasons. invalid > fail > undecided > pass; a pass is never the default."""

import math
from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from station.judge import reasons
from station.judge.commands import Answers, answer_reasons, answers
from station.judge.document import score_document
from station.judge.groups import GroupJudgement, judge_group, number
from station.judge.limits import Check, Standing
from station.judge.plan import plan_for
from station.judge.promise import correlation_document, rule_document
from station.measure.baseline import Baseline, baseline_of
from station.measure.catalogue import column_names
from station.measure.flicks import Found, measure_found, search
from station.measure.trust import doubts, not_numbers, unreadable
from station.quantities import AXES, GROUPS, axis_of
from station.records import Fitted, FlickTable, Recording, Score, Verdict
from station.specification import Specification

__all__ = ["score_document", "score_recording"]

RAIL: Final = 0.03  # of the supply: an axis that rests this near to a rail and does not answer is stuck there
ACCURATE_HZ: Final = 4000.0  # accuracy is promised from this rate upward


def score_recording(
    recording: Recording, spec: Specification, fitted: Fitted | None = None, modes: Mapping[str, str] | None = None
) -> Score:
    """Score of one stick. Never raises for what a recording holds.

    modes: decision modes by group, where they are not the specification's (audited groups, a station switched to counting).
    """
    said = unreadable(recording) or not_numbers(recording)
    if said:
        return _invalid(recording, {reasons.BAD_RECORDING}, said, None)
    base = baseline_of(recording, spec)
    found = search(recording, base, spec)
    said = doubts(recording, base, found)
    given = answers(recording, recording.commanded, found) if recording.commanded else None
    if given is not None:
        said += given.frozen
    if said:
        return _invalid(recording, {reasons.BAD_RECORDING}, said, base)
    unit, rig = answer_reasons(given) if given is not None else ([], [])
    if rig:
        return _invalid(recording, {reasons.RIG_STIMULUS}, rig, base)
    table = measure_found(found, recording, base, spec, fitted or Fitted())
    return _judged(recording, spec, modes or {}, base, found, table, given, unit)


def _judged(
    recording: Recording,
    spec: Specification,
    modes: Mapping[str, str],
    base: Baseline,
    found: Found,
    table: FlickTable,
    given: Answers | None,
    against: list[str],
) -> Score:
    table = _counted(table, given)
    groups = _groups(table, spec, modes, base)
    checks = _axis_checks(base, spec)
    stuck = _stuck(base, found)
    against = [one for one in against if not any(one == f"{reasons.DEAD_CHANNEL}:{axis}" for axis in stuck)]
    against += [f"{code}:{axis}" for axis, code in stuck.items()]
    against += [f"{c.reason}:{a}" for a, c in checks if c.standing is Standing.BROKEN and a not in stuck]
    against += [f"{reasons.NOISY_WIPER}:{AXES[a]}" for a in (0, 1) if not found.contacts[a].clean and AXES[a] not in stuck]
    against += [one for group in groups.values() for one in group.reasons]
    doubtful = [f"{c.reason}:{a}" for a, c in checks if c.standing is Standing.DOUBTFUL and a not in stuck]
    doubtful += [one for group in groups.values() for one in group.doubtful]
    missing = [f"{reasons.MISSING_GROUP}:{g}" for g in GROUPS if g not in groups and (given is None or not given.ordered[g])]
    open_groups = [g for g, one in groups.items() if one.outcome.verdict is Verdict.UNDECIDED]
    absent = [g for g in GROUPS if g not in groups]
    verdict = Verdict.FAIL if against else Verdict.UNDECIDED if missing or doubtful or open_groups or absent else Verdict.PASS
    if verdict is Verdict.UNDECIDED:
        missing = missing + doubtful
    figures = _figures(recording, base, checks) | {"doubtful": list(reasons.listed(doubtful)), "undecided_groups": open_groups}
    peaks = table.columns["peak_counts"]
    figures |= {"rule": rule_document(spec, modes), "correlation": correlation_document([peaks[one.used] for one in groups.values()])}
    documents = {group: one.document for group, one in groups.items()}
    return Score(verdict, reasons.listed(against + missing), figures, documents, _flag_late(table, groups))


def _groups(table: FlickTable, spec: Specification, modes: Mapping[str, str], base: Baseline) -> dict[str, GroupJudgement]:
    out = {}
    for index, group in enumerate(GROUPS):
        members = np.flatnonzero(table.group == index)
        if len(members):
            u_rest = base.u_rest_counts[AXES.index(axis_of(group))]
            out[group] = judge_group(group, members, table, spec, plan_for(spec.decision, modes.get(group)), u_rest)
    return out


def _axis_checks(base: Baseline, spec: Specification) -> list[tuple[str, Check]]:
    """Rest and noise of both axes against their limits."""
    out = []
    for k, axis in enumerate(AXES):
        error = abs(base.rest_counts[k] - spec.stick.rest_counts)
        noise = base.noise_counts[k]
        u_noise = base.colour[k] * noise / math.sqrt(2.0 * base.samples)  # of a standard deviation, normal noise
        limits = spec.limits
        out.append((axis, Check("rest_error_counts", reasons.OFF_CENTRE, "counts", error, base.u_rest_counts[k], limits.rest_error_counts)))
        out.append((axis, Check("noise_counts", reasons.NOISY_WIPER, "counts", noise, u_noise, limits.noise_counts)))
    return out


def _stuck(base: Baseline, found: Found) -> dict[str, str]:
    """Axes that rest at a rail and do not answer, with their reason."""
    out = {}
    for k, axis in enumerate(AXES):
        if np.any(found.flicks.axis == k):
            continue
        if base.rest_v[k] > (1 - RAIL) * base.supply_v:
            out[axis] = reasons.STUCK_HIGH
        elif base.rest_v[k] < RAIL * base.supply_v:
            out[axis] = reasons.STUCK_LOW
    return out


def _counted(table: FlickTable, given: Answers | None) -> FlickTable:
    """In a run, the flicks that answer an order; warm-up flicks before the first order are not counted."""
    if given is None or len(given.counted) == len(table):
        return table
    rows = given.counted
    columns = {name: column[rows] for name, column in table.columns.items()}
    return FlickTable(table.group[rows], columns, tuple(table.flags[k] for k in rows.tolist()))


def _flag_late(table: FlickTable, groups: dict[str, GroupJudgement]) -> FlickTable:
    """Exceedances after their group's decision are flagged."""
    late = {int(k) for one in groups.values() for k in one.late}
    flags = tuple((*words, "late-exceedance") if k in late else words for k, words in enumerate(table.flags))
    return FlickTable(table.group, table.columns, flags)


def _figures(recording: Recording, base: Baseline | None, checks: list[tuple[str, Check]]) -> dict[str, Any]:
    pairs = ("rest_counts", "noise_counts", "u_rest_counts")
    shown: dict[str, Any] = {
        name: {a: None if base is None else number(getattr(base, name)[k]) for k, a in enumerate(AXES)} for name in pairs
    }
    shown["supply_v"] = None if base is None else base.supply_v
    shown["rate_hz"] = number(recording.rate_hz)
    shown["samples"] = len(recording.x_v)
    shown["limits"] = {axis: [check.document() for name, check in checks if name == axis] for axis in AXES}
    slow = recording.rate_hz < ACCURATE_HZ
    shown["notes"] = [f"Sampled at {recording.rate_hz:g} S/s: accuracy is stated from 4 kS/s upward."] if slow else []
    return shown


def _invalid(recording: Recording, codes: set[str], said: list[str], base: Baseline | None) -> Score:
    """Nothing is said of the unit."""
    empty = FlickTable(np.zeros(0, dtype=np.int8), {name: np.zeros(0) for name in column_names()}, ())
    figures = _figures(recording, base, []) | {"doubtful": [], "undecided_groups": [], "explanation": said}
    return Score(Verdict.INVALID, reasons.listed(list(codes)), figures, {}, empty)
