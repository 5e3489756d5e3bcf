"""A score for people: the verdict in words first, then why, then the figures of every group."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from api.cli.output import figure, table
from api.cli.reasons import in_words

if TYPE_CHECKING:
    from station.specification import Specification

Document = Mapping[str, Any]

WORDS: Final = {
    "pass": "PASS: the unit meets specification",
    "fail": "FAIL: the unit does not meet specification",
    "undecided": "UNDECIDED: the evidence does not reach the stated risks of specification",
    "invalid": "INVALID: the recording or the rig is at fault, nothing is said of the unit; specification",
}


def score_lines(document: Document, spec: "Specification") -> list[Any]:
    """Everything `restpoint score` shows of a score's document."""
    lines: list[Any] = [f"{WORDS[document['verdict']]} {document['spec']}"]
    lines += [f"  - {in_words(reason, document)}" for reason in document["reasons"]]
    lines += [f"  - {sentence}" for sentence in document.get("explanation", ())]
    if document["verdict"] == "undecided":
        lines += [f"  - {group}: {document['groups'][group]['decision']['in_words']}" for group in document["undecided_groups"]]
    lines.append(_levels(document))
    if document["groups"]:
        lines.append(_groups(document["groups"], spec))
    return [*lines, *(f"Note: {note}" for note in document.get("notes", ()))]


def _levels(document: Document) -> str:
    rest, noise = document["rest_counts"], document["noise_counts"]
    shown = [f"{axis} {figure(rest[axis], 2)} (noise {figure(noise[axis], 2)})" for axis in ("x", "y")]
    return f"Rest in counts: {', '.join(shown)}; {document['samples']} samples at {figure(document['rate_hz'], 0)} per second"


def _groups(groups: Mapping[str, Document], spec: "Specification") -> Any:
    headers = ["group", "verdict", "flicks used", "peak mean", "peak max", "misread", "return ms", "settle ms", "reach", "lag ms"]
    limits = spec.limits
    bounds = ["limit", "", "", "", f"{spec.host.neutral_zone_counts:g}", "", f"{1e3 * limits.return_s:g}", f"{1e3 * limits.settle_s:g}"]
    bounds += [f"{spec.stick.reach_counts - limits.reach_error_counts:g} to {spec.stick.reach_counts + limits.reach_error_counts:g}"]
    bounds += [f"{1e3 * limits.added_lag_s:g}"]
    rows = [_row(name, group) for name, group in groups.items()]
    return table("Groups, in counts where no unit is given", headers, [*rows, bounds], left=2)


def _row(name: str, group: Document) -> list[str]:
    return [
        name,
        group["verdict"],
        f"{group['flicks_used']} of {group['flicks']}",
        figure(group["peak_counts"]["mean"], 2),
        figure(group["peak_counts"]["max"], 2),
        figure(group["misread_probability"]["mean"], 3),
        figure(group["return_s"], 2, 1e3),
        figure(group["settle_s"], 1, 1e3),
        figure(group["reach_counts"], 1),
        figure(group["added_lag_s"], 2, 1e3),
    ]
