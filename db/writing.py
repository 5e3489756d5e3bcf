"""From the words of the house to rows. Packing is done before a transaction begins, so that nobody waits for it."""

import math
from collections.abc import Mapping
from typing import Any

from db.blocks import TRACE_DTYPE, pack_codes, pack_flicks, pack_json, plain
from station.errors import StoreError
from station.proof import HEALTH
from station.quantities import axis_of
from station.records import Fitted, RunClosing, RunOpening, Score, TraceBlock, Verdict

Row = dict[str, Any]

GROUP_FIGURES = ("return_s", "settle_s", "reach_counts", "added_lag_s", "rest_shift_counts", "cross_axis_counts")


def run_row(opening: RunOpening, keys: Mapping[str, int]) -> Row:
    """Row of a run that begins; verdict and end stay open."""
    return {
        **keys,
        "station": opening.station,
        "rig": opening.rig_name,
        "product": opening.unit.product,
        "lot": opening.unit.lot,
        "calibration": opening.calibration,
        "software": opening.software,
        "firmware": opening.rig.firmware,
        "boot": opening.rig.boot,
        "operator": opening.operator,
        "emulated": opening.rig.emulated,
        "fitted": {stick: {"x_f": parts.x_f, "y_f": parts.y_f} for stick, parts in opening.fitted.items()},
        "started_at": opening.started_at,
        "reasons": [],
        "explanation": "",
        "evidence": {},
        "timing": {},
    }


def ending(closing: RunClosing) -> Row:
    """Columns of a run's row that its end fills."""
    return {
        "verdict": closing.verdict.value,
        "reasons": list(closing.reasons),
        "explanation": closing.explanation,
        "evidence": plain(closing.evidence),
        "timing": plain(closing.timing),
        "ended_at": closing.ended_at,
        "flicks": closing.flicks,
    }


def health_rows(number: int, rig_key: int, started_at: object, closing: RunClosing) -> list[Row]:
    """The row of what the run tells of its rig; none when it tells nothing."""
    figures = {name: _number(closing.health, name) for name in HEALTH}
    if all(value is None for value in figures.values()):
        return []
    invalid = closing.verdict is Verdict.INVALID
    return [{"run_number": number, "rig_key": rig_key, "invalid": invalid, "started_at": started_at, **figures}]


def reason_rows(number: int, started_at: object, closing: RunClosing) -> list[Row]:
    """One row per reason and stick it was found on; the reasons of the run itself belong to no stick."""
    rows: list[Row] = []
    for reason in closing.reasons:
        code, _, part = reason.partition(":")
        sticks = [stick for stick, score in closing.scores.items() if reason in score.reasons]
        for stick in sticks or [""]:
            rows.append({"run_number": number, "position": len(rows), "stick": stick, "code": code, "part": part, "started_at": started_at})
    return rows


def stick_row(number: int, stick: str, score: Score) -> Row:
    """Row of what was found of one stick."""
    detail = {"reasons": list(score.reasons), "figures": score.figures, "groups": score.groups}
    packed = pack_json(detail, detail_about(number, stick))
    return {
        "run_number": number,
        "stick": stick,
        "verdict": score.verdict.value,
        "rest_x_counts": _number(score.figures, "rest_counts", "x"),
        "rest_y_counts": _number(score.figures, "rest_counts", "y"),
        "noise_x_counts": _number(score.figures, "noise_counts", "x"),
        "noise_y_counts": _number(score.figures, "noise_counts", "y"),
        "supply_v": _number(score.figures, "supply_v"),
        "codec": packed.codec,
        "detail": packed.data,
        "sha256": packed.sha256,
    }


def detail_about(number: int, stick: str) -> Row:
    """What the digest of a stick's detail covers beside its bytes."""
    return {"kind": "detail", "run": number, "stick": stick}


def group_rows(number: int, stick: str, score: Score, fitted: Fitted | None) -> list[Row]:
    """One row per group (verdict, flicks, flicks_used and what else was found); other figures are null."""
    return [_group_row(number, stick, name, group, fitted) for name, group in score.groups.items()]


def _group_row(number: int, stick: str, name: str, group: Mapping[str, Any], fitted: Fitted | None) -> Row:
    return {
        "run_number": number,
        "stick": stick,
        "group_name": name,
        "verdict": str(group["verdict"]),
        "flicks": int(group["flicks"]),
        "flicks_used": int(group["flicks_used"]),
        **{f"peak_{key}_counts": _number(group, "peak_counts", key) for key in ("mean", "sd", "max", "u")},
        **{f"misread_{key}": _number(group, "misread_probability", key) for key in ("mean", "upper")},
        **{key: _number(group, key) for key in GROUP_FIGURES},
        "over_zone": group.get("over_zone"),
        "fitted_f": None if fitted is None else {"x": fitted.x_f, "y": fitted.y_f}[axis_of(name)],
        "accepted_by": str(_inner(group, "decision", "accepted_by") or ""),
    }


def flick_row(number: int, stick: str, score: Score) -> Row:
    """The block of all flicks of one stick."""
    table = score.flicks
    row: Row = {"flicks": len(table), "columns": list(table.columns), "flags": [list(words) for words in table.flags]}
    packed = pack_flicks(table, flick_about(number, stick, row))
    return {**row, "run_number": number, "stick": stick, "codec": packed.codec, "data": packed.data, "sha256": packed.sha256}


def flick_about(number: int, stick: str, row: Mapping[str, Any]) -> Row:
    """What the digest of a flick block covers beside its bytes."""
    return {"kind": "flicks", "run": number, "stick": stick, **{key: row[key] for key in ("flicks", "columns", "flags")}}


def trace_row(number: int, block: TraceBlock, whole: bool) -> Row:
    """A trace or a part of one. Raises StoreError when the codes are not (n, 2) unsigned 16-bit numbers."""
    if block.codes.ndim != 2 or block.codes.shape[1] != 2 or block.codes.dtype != "uint16":
        shape = "x".join(str(length) for length in block.codes.shape)
        raise StoreError(f"trace of run {number}, stick {block.stick}: codes are {block.codes.dtype} {shape}; expected uint16 n x 2")
    row: Row = {
        "first_sample": block.first,
        "samples": len(block.codes),
        "rate_hz": float(block.rate_hz),
        "scale_v": float(block.scale_v),
        "supply_v": float(block.supply_v),
        "commanded": [[flick.group, flick.first_sample] for flick in block.commanded],
        "dtype": TRACE_DTYPE,
        "shape": list(block.codes.shape),
    }
    packed = pack_codes(block.codes, trace_about(number, block.stick, row))
    return {
        **row,
        "run_number": number,
        "stick": block.stick,
        "whole": whole,
        "codec": packed.codec,
        "data": packed.data,
        "sha256": packed.sha256,
    }


def trace_about(number: int, stick: str, row: Mapping[str, Any]) -> Row:
    """What the digest of a trace block covers beside its bytes."""
    keys = ("first_sample", "samples", "rate_hz", "scale_v", "supply_v", "commanded", "dtype", "shape")
    return {"kind": "trace", "run": number, "stick": stick, **{key: row[key] for key in keys}}


def _inner(values: Mapping[str, Any], *path: str) -> Any:
    found: Any = values
    for key in path:
        found = found.get(key) if isinstance(found, Mapping) else None
    return found


def _number(values: Mapping[str, Any], *path: str) -> float | None:
    found = _inner(values, *path)
    if found is None or isinstance(found, bool) or not isinstance(found, int | float):
        return None
    return float(found) if math.isfinite(found) else None
