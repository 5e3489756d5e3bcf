"""Reason codes of a score, and the order in which they are listed."""

from typing import Final

SNAPBACK: Final = "snapback"
SLUGGISH: Final = "sluggish"
OFF_CENTRE: Final = "off-centre"
SHORT_REACH: Final = "short-reach"
REST_SHIFT: Final = "rest-shift"
NOISY_WIPER: Final = "noisy-wiper"
CROSS_AXIS: Final = "cross-axis"
SLOW_SETTLE: Final = "slow-settle"
DULL: Final = "dull"
DEAD_CHANNEL: Final = "dead-channel"
STUCK_HIGH: Final = "stuck-high"
STUCK_LOW: Final = "stuck-low"
MISSING_GROUP: Final = "missing-group"
SWAPPED_AXES: Final = "swapped-axes"
REVERSED_AXIS: Final = "reversed-axis"
BAD_RECORDING: Final = "bad-recording"
RIG_STIMULUS: Final = "rig-stimulus"

MEANINGS: Final = {
    STUCK_HIGH: "An axis lies at the upper end of the supply and does not answer.",
    STUCK_LOW: "An axis lies at the lower end of the supply and does not answer.",
    DEAD_CHANNEL: "An axis or group does not answer its flicks.",
    SWAPPED_AXES: "Each axis answers the flicks of the other.",
    REVERSED_AXIS: "An axis answers on the side opposite to its flicks.",
    NOISY_WIPER: "The signal drops out, or is noisier than allowed at rest or in motion.",
    OFF_CENTRE: "The stick rests too far from its nominal rest.",
    SNAPBACK: "Too many flicks swing beyond the neutral zone on the far side.",
    DULL: "The fitted capacitor adds more lag than allowed.",
    SLUGGISH: "The stick returns too slowly.",
    SLOW_SETTLE: "The stick keeps moving too long.",
    SHORT_REACH: "The level at full deflection is too far from nominal.",
    REST_SHIFT: "The stick comes to lie too far from its rest.",
    CROSS_AXIS: "The other axis strays too far while the stick returns.",
    MISSING_GROUP: "There are no flicks of this group.",
    BAD_RECORDING: "The recording cannot be trusted.",
    RIG_STIMULUS: "A flick that was ordered was not seen, although its group answers others.",
}

_RANK: Final = {code: rank for rank, code in enumerate(MEANINGS)}


def code_of(reason: str) -> str:
    """Code without its group or axis: code_of("snapback:x+") == "snapback"."""
    return reason.split(":", 1)[0]


def listed(reasons: "list[str]") -> tuple[str, ...]:
    """Each reason once, causes before consequences, then by group or axis."""
    return tuple(sorted(set(reasons), key=lambda reason: (_RANK[code_of(reason)], reason)))
