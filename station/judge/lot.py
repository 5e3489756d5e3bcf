"""The production planner's question: which single value makes the largest share of a lot's sticks pass, and what it costs in lag."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy.special import betaincinv

from station.axis.markings import marking_of, pretty
from station.specification import Specification

__all__ = ["FORMAT", "clopper_pearson", "lot_advice", "lot_entries"]

FORMAT: Final = "restpoint-lot/1"
CONFIDENCE: Final = 0.95
SAME: Final = 1e-3  # relative difference below which two capacitances are one value
METHOD: Final = (
    "A stick counts as passing with a value when all its measured axes meet the limits with it and pass the retest with at least the asked "
    "chance. The interval on the share is exact binomial (Clopper and Pearson, Biometrika 26, 1934), for a lot of sticks like "
    "these; expected_share is the mean chance of these very sticks."
)


@dataclass(frozen=True, slots=True)
class _Axis:
    """Of one axis of one stick, by value in the order of the lot's values: whether it passes, its chance, its added lag."""

    passes: tuple[bool, ...]
    chance: tuple[float, ...]
    lag_s: tuple[float, ...]


def lot_entries(serial: str, document: Mapping[str, Any], stick: str = "main") -> list[dict[str, Any]]:
    """Entries of one stick from its advice document (station.judge.advice.advise).

    An axis that was not measured, such as a dead channel, is entered without candidates: its stick is left out, and never counts by its
    other axis alone.
    """
    axes = document["axes"].items()
    return [{"serial": serial, "stick": stick, "axis": axis, "candidates": one["candidates"]} for axis, one in axes]


def lot_advice(entries: Sequence[Mapping[str, Any]], spec: Specification) -> dict[str, Any]:
    """JSON-ready. entries: one per unit, stick and axis, as lot_entries gives them; candidates as in advice documents.

    `values`: every value of the specification's stock and none, applied to all axes of all sticks: sticks passing, share with its interval,
    expected share, mean and largest added lag. `best`: the value with the largest share, of equals the smallest. `axes`: the same for each
    axis alone. Sticks of which an axis lacks a value's figures are left out for all values and counted in `left_out`.
    """
    farads = [0.0, *sorted(spec.stock.values_f)]
    sticks, left_out = _sticks(entries, farads, spec)
    values = _values(farads, list(sticks.values()))
    per_axis = {}
    for axis in sorted({name for axes in sticks.values() for name in axes}):
        only = [{axis: axes[axis]} for axes in sticks.values() if axis in axes]
        figures = _values(farads, only)
        per_axis[axis] = {"sticks": len(only), "best": _best(figures), "values": figures}
    best = _best(values)
    return {
        "format": FORMAT,
        "spec": spec.label,
        "sticks": len(sticks),
        "left_out": left_out,
        "best": best,
        "in_words": _sentence(best, values, len(sticks), spec),
        "values": values,
        "axes": per_axis,
        "confidence": CONFIDENCE,
        "asked_chance": spec.stock.asked_chance,
        "method": METHOD,
    }


def _sticks(
    entries: Sequence[Mapping[str, Any]], farads: Sequence[float], spec: Specification
) -> tuple[dict[tuple[str, str], dict[str, _Axis]], int]:
    sticks: dict[tuple[str, str], dict[str, _Axis]] = {}
    out: set[tuple[str, str]] = set()
    for entry in entries:
        key = (str(entry["serial"]), str(entry.get("stick", "main")))
        axis = _axis(entry["candidates"], farads, spec.stock.asked_chance)
        if axis is None:
            out.add(key)
        else:
            sticks.setdefault(key, {})[str(entry["axis"])] = axis
    return {key: axes for key, axes in sticks.items() if key not in out}, len(out)


def _axis(candidates: Sequence[Mapping[str, Any]], farads: Sequence[float], asked: float) -> _Axis | None:
    """None where a value has no candidate, or one whose lag is not known."""
    found = []
    for value in farads:
        same = [one for one in candidates if abs(one["capacitance_f"] - value) <= SAME * value]
        if not same or same[0]["added_lag_s"] is None:
            return None
        found.append(same[0])
    return _Axis(
        tuple(bool(one["meets"]) and one["chance_to_pass"] >= asked for one in found),
        tuple(float(one["chance_to_pass"]) for one in found),
        tuple(float(one["added_lag_s"]) for one in found),
    )


def _values(farads: Sequence[float], sticks: Sequence[Mapping[str, _Axis]]) -> list[dict[str, Any]]:
    return [_value(k, value, sticks) for k, value in enumerate(farads)] if sticks else []


def _value(k: int, farads: float, sticks: Sequence[Mapping[str, _Axis]]) -> dict[str, Any]:
    passing = sum(all(axis.passes[k] for axis in axes.values()) for axes in sticks)
    lags = np.array([axis.lag_s[k] for axes in sticks for axis in axes.values()])
    low, high = clopper_pearson(passing, len(sticks), CONFIDENCE)
    return {
        "capacitance_f": farads,
        "marking": marking_of(farads),
        "passing": passing,
        "share": passing / len(sticks),
        "share_low": low,
        "share_high": high,
        "expected_share": float(np.mean([np.prod([axis.chance[k] for axis in axes.values()]) for axes in sticks])),
        "added_lag_s": {"mean": float(lags.mean()), "max": float(lags.max())},
    }


def _best(values: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """The value with the largest share, of equal shares the smallest; None when no stick passes with any."""
    top = max(values, key=lambda one: (one["share"], -one["capacitance_f"]), default=None)
    if top is None or top["passing"] == 0:
        return None
    bare = next(one for one in values if one["capacitance_f"] == 0.0)
    as_good = [one["capacitance_f"] for one in values if one is not top and one["share_high"] >= top["share"] > 0.0]
    return {**top, "lag_cost_s": top["added_lag_s"]["mean"] - bare["added_lag_s"]["mean"], "within_interval_f": as_good}


def _sentence(best: Mapping[str, Any] | None, values: Sequence[Mapping[str, Any]], sticks: int, spec: Specification) -> str:
    if not sticks:
        return "No stick of the lot has advice on all values: nothing can be said."
    if best is None:
        return f"No single value in stock makes any of {sticks} sticks pass."
    bare = next(one for one in values if one["capacitance_f"] == 0.0)
    shown = "No part" if best["capacitance_f"] == 0.0 else f"{pretty(best['capacitance_f'])} ({best['marking']}) on every axis"
    lag, limit = 1e3 * best["added_lag_s"]["mean"], 1e3 * spec.limits.added_lag_s
    share, low, high, without = (100.0 * value for value in (best["share"], best["share_low"], best["share_high"], bare["share"]))
    return (
        f"{shown} makes the largest share pass: {best['passing']} of {sticks} sticks, {share:.0f} % (95 % interval {low:.0f} to {high:.0f} "
        f"%); without a part {without:.0f} %. It adds {lag:.2f} ms of lag on the mean axis ({limit:g} ms allowed)."
    )


def clopper_pearson(count: int, total: int, confidence: float) -> tuple[float, float]:
    """Exact two-sided binomial interval (Clopper and Pearson, Biometrika 26, 1934), by quantiles of the beta law. Needs total > 0."""
    tail = 0.5 * (1.0 - confidence)
    low = 0.0 if count == 0 else float(betaincinv(count, total - count + 1, tail))
    high = 1.0 if count == total else float(betaincinv(count + 1, total - count, 1.0 - tail))
    return low, high
