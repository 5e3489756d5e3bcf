"""Procedures and how a rig is proven, as people read them on a terminal."""

from collections.abc import Sequence
from typing import Any

from api.cli.output import table
from api.cli.records import Document
from api.cli.runs import short_time


def state_lines(one: Document) -> list[str]:
    """How a rig stands: what blocks, what will be due, what it rests on."""
    calibration, check = one["calibration"], one["last_check"]
    lines = [f"Rig {one['rig']}: {'blocked' if one['blocks'] else 'proven'}"]
    lines += [f"  ! {sentence}" for sentence in one["blocks"]] + [f"  - {sentence}" for sentence in one["warns"]]
    if calibration is None:
        lines.append("  calibration: none")
    else:
        left = f"{one['flicks_left']} flicks and {one['days_left']:.1f} days left" if one["valid"] else "not valid"
        lines.append(f"  calibration {calibration['name']} by {calibration['by']}, {short_time(calibration['at'])} UTC: {left}")
    if check is not None:
        lines.append(f"  reference unit {check['serial']}: {_within(check)}, {short_time(check['at'])} UTC")
    return [*lines, f"  procedure {one['procedure']} is open: restpoint proof follow {one['procedure']}"] if one["procedure"] else lines


def procedures_table(found: Sequence[Document]) -> Any:
    """Procedures of a rig."""
    headers = ["procedure", "kind", "standing", "begun (UTC)", "by", "ended (UTC)", "cause"]
    rows = [
        [
            str(one["number"]),
            f"{one['kind']}{' (emulated)' if one['emulated'] else ''}",
            one["standing"],
            short_time(one["begun_at"]),
            one["begun_by"],
            short_time(one["ended_at"]),
            one["cause"],
        ]
        for one in found
    ]
    return table("", headers, rows, left=len(headers))


def procedure_lines(view: Document) -> list[str]:
    """A procedure: what it is, its steps, where it stands."""
    rig = f"{view['rig']}{' (emulated)' if view['emulated'] else ''}"
    lines = [
        f"Procedure {view['number']}: {words(view['kind'])} of rig {rig}, {view['standing']}",
        f"  begun by {view['begun_by']}, {short_time(view['begun_at'])} UTC",
    ]
    lines += [f"  {_mark(step, view)} {step['position']:>3} {step['title']}{_wanted(step)}{_done(step)}" for step in view["steps"]]
    lines += [f"  {text}" for text in (view["progress"], view["problem"]) if text]
    return lines if view["standing"] == "open" else [*lines, *outcome_lines(view)]


def step_lines(view: Document) -> list[str]:
    """The step that comes next, as something to do."""
    step = next((one for one in view["steps"] if one["position"] == view["next"]), None)
    if step is None:
        return ["All steps are done; what came of them is still to be concluded."]
    lines = [f"Step {step['position']} of {len(view['steps'])}: {step['title']}{_wanted(step)}"]
    lines += [f"  {number}. {says}" for number, says in enumerate(step["says"], 1)]
    return [*lines, "  The finger will move."] if step["moves"] else lines


def outcome_lines(view: Document) -> list[str]:
    """What came of a procedure."""
    if view["standing"] == "open":
        return [f"Procedure {view['number']} stays open; go on with: restpoint proof follow {view['number']}"]
    if view["standing"] == "abandoned":
        return [f"Procedure {view['number']} was abandoned: {view['cause']}"]
    outcome = view["outcome"]
    number = f" {outcome['number']}" if "number" in outcome else f" of {outcome['serial']}" if "serial" in outcome else ""
    accepted = "accepted" if outcome.get("accepted", True) else "NOT accepted"
    lines = [f"done: {words(outcome.get('kind', view['kind']))}{number}, {accepted}"]
    lines += [f"  {sentence}" for sentence in outcome.get("problems", ())]
    return [*lines, *(_deviation(one) for one in outcome.get("deviations", ()) if not one["within"])]


def words(kind: str) -> str:
    """Name of a kind as people say it."""
    return kind.replace("-", " ")


def _deviation(one: Document) -> str:
    reference = one.get("reference", one)
    measured, value, limit = short(one["measured"]), short(reference["value"]), short(reference["limit"])
    return f"  {one['stick']} {one['place']} {one['figure']}: {measured}, expected {value} within {limit}"


def short(value: float | None) -> str:
    """A figure of any size to four digits; a dash where it is not known."""
    return "-" if value is None else f"{value:.4g}"


def _within(check: Document) -> str:
    off = [f"{one['stick']} {one['place']} {one['figure']}" for one in check["deviations"] if not one["within"]]
    return f"off in {', '.join(off)}" if off else "within its limits" if check["within"] else "nothing was compared"


def _mark(step: Document, view: Document) -> str:
    return "x" if step["done_at"] else ">" if step["position"] == view["next"] else " "


def _wanted(step: Document) -> str:
    wanted = [f"unit {step['unit']}" if step["unit"] else "", f"operator {step['operator']}" if step["operator"] else ""]
    shown = ", ".join(one for one in wanted if one)
    return f" ({shown})" if shown else ""


def _done(step: Document) -> str:
    return f"; {step['done_by']}, {short_time(step['done_at'])} UTC" if step["done_at"] else ""
