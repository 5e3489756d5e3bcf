"""From advice documents to the steps a technician follows: what, where, and what would help when no part will do. Pure."""

from collections.abc import Mapping
from typing import Any, Final

from station.axis.markings import pretty
from station.ports.rework import PadMap

Documents = Mapping[str, Mapping[str, Any]]

SOLDER: Final = ("fit", "larger", "smaller")
"""Outcomes of advice after which a part goes in."""


def steps_for(documents: Documents, pads: PadMap | None) -> list[dict[str, Any]]:
    """What to do on each axis of each stick, JSON-ready, work first. pads: of the product, None when nobody drew them."""
    steps = [_step(stick, axis, one, pads) for stick, document in documents.items() for axis, one in document["axes"].items()]
    return sorted(steps, key=lambda step: not step["solder"])


def _step(stick: str, axis: str, one: Mapping[str, Any], pads: PadMap | None) -> dict[str, Any]:
    solder = one["outcome"] in (*SOLDER, "remove")
    chosen = next((candidate for candidate in one["candidates"] if candidate["capacitance_f"] == one["recommended_f"]), None)
    found = pads.pads.get(stick, {}).get(axis) if pads else None
    return {
        "stick": stick,
        "axis": axis,
        "action": one["outcome"],
        "solder": solder,
        "fitted_f": one["fitted_f"],
        "capacitance_f": one["recommended_f"],
        "value": None if one["recommended_f"] is None else pretty(one["recommended_f"]),
        "marking": one["marking"],
        "signal_pad": found.signal if found else None,
        "ground_pad": found.ground if found else None,
        "where": _where(axis, found.signal, found.ground) if found else _where(axis),
        "in_words": one["in_words"],
        "reason": one["reason"],
        "blocking": list(one["blocking"]),
        "help": list(one["help"]),
        "further": list(one["further"]),
        "predicted_peak_counts": chosen["peak_counts"]["mean"] if chosen else None,
        "added_lag_s": chosen["added_lag_s"] if chosen else None,
        "chance_to_pass": chosen["chance_to_pass"] if chosen else None,
    }


def _where(axis: str, signal: str = "", ground: str = "") -> str:
    named = f": pads {signal} and {ground}" if signal else ""
    return f"between the {axis} axis signal and ground{named}"
