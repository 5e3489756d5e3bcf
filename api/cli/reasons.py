"""Reasons of a verdict in plain words, with the figure and the limit it broke."""

from collections.abc import Iterator, Mapping
from typing import Any, Final

from api.cli.output import figure

Document = Mapping[str, Any]

PLAIN: Final = {
    "snapback": "flicks are thrown past rest beyond the neutral zone",
    "sluggish": "returns too slowly",
    "slow-settle": "keeps moving too long",
    "dull": "the fitted part adds too much lag",
    "short-reach": "the level at full deflection is too far from nominal",
    "rest-shift": "comes to lie too far from rest",
    "cross-axis": "the other axis strays too far during the return",
    "off-centre": "rests too far from nominal",
    "noisy-wiper": "drops out, or is noisier than allowed",
    "dead-channel": "the signal does not follow the stick",
    "stuck-high": "the signal lies at the supply",
    "stuck-low": "the signal lies at ground",
    "missing-group": "no flicks in this direction",
    "swapped-axes": "each axis answers the flicks of the other",
    "reversed-axis": "answers on the side opposite to its flicks",
    "bad-recording": "the recording cannot be trusted",
    "no-unit": "no unit answered",
    "rig-link": "the link to the rig failed",
    "rig-stop": "the emergency stop was pressed",
    "rig-guard": "the guard was opened",
    "rig-clamp": "the clamp was opened",
    "rig-stimulus": "a flick that was ordered did not happen",
    "rig-clock": "the rig's clock is off",
    "rig-supply": "the unit's supply is off",
    "rig-calibration": "the rig has no valid calibration",
    "scorer": "the scoring itself failed",
    "interrupted": "the run was cut short",
}
CHECKS: Final = {
    "sluggish": ("return_s",),
    "slow-settle": ("settle_s",),
    "dull": ("added_lag_s",),
    "short-reach": ("reach_counts",),
    "rest-shift": ("rest_shift_counts",),
    "cross-axis": ("cross_axis_counts",),
    "off-centre": ("rest_error_counts",),
    "noisy-wiper": ("noise_counts", "motion_noise_counts"),
}
"""The limits behind a reason, by their names in the document."""

FROM_NOMINAL: Final = ("reach_counts", "rest_error_counts")
COVERAGE_FACTOR: Final = 2.0  # of the expanded uncertainty shown, as in the judgement of limits


def in_words(reason: str, document: Document) -> str:
    """One reason, `code` or `code:group` or `code:axis`, as a sentence. Figures and limits come from the score's document."""
    code, _, part = reason.partition(":")
    where = f"{part}: " if part else ""
    figures = _peaks(document, part) if code == "snapback" else "; ".join(_broken(code, part, document))
    return f"{where}{PLAIN.get(code, code)}{'; ' if figures else ''}{figures} [{reason}]"


def _peaks(document: Document, group: str) -> str:
    found = document["groups"].get(group)
    if found is None:
        return ""
    peaks = found["peak_counts"]
    return (
        f"{found['decision']['exceedances']} of {found['flicks_used']} flicks used, largest peak {figure(peaks['max'], 1)} counts, "
        f"mean {figure(peaks['mean'], 1)}"
    )


def _broken(code: str, part: str, document: Document) -> Iterator[str]:
    """Every limit behind the reason that is not met, of the group or of any group of the axis."""
    checks = list(document.get("limits", {}).get(part, ()))
    for name, group in document["groups"].items():
        if name.startswith(part):
            checks += group["limits"]
    for check in checks:
        if check["name"] in CHECKS.get(code, ()) and check["standing"] in ("broken", "doubtful"):
            yield _against(check)


def _against(check: Document) -> str:
    scale, unit = (1e3, "ms") if check["unit"] == "s" else (1.0, check["unit"])
    value = "never" if check["value"] is None else f"{check['value'] * scale:.3g} {unit}"
    spread = "" if check["u"] is None else f" (U {COVERAGE_FACTOR * check['u'] * scale:.2g})"
    off = " from nominal" if check["name"] in FROM_NOMINAL else ""
    return f"{value}{off}{spread}, at most {check['limit'] * scale:g} {unit} allowed"
