"""Errors of the rig, turned into reasons of an invalid run. One table; a test holds it against the error tree."""

from station.errors import NotReady, RestpointError, RigError, ScorerFailed

_BY_FAULT = {
    "STOP": "rig-stop",
    "STOP_DISCREPANCY": "rig-stop",
    "GUARD": "rig-guard",
    "CLAMP": "rig-clamp",
    "SUPPLY": "rig-supply",
    "ENERGISED_TOO_LONG": "rig-stimulus",
    "HALTED": "interrupted",
}
_BY_REFUSAL = {"STOP_OPEN": "rig-stop", "GUARD_OPEN": "rig-guard", "CLAMP_OPEN": "rig-clamp"}
_BY_CLASS: tuple[tuple[type[RestpointError], str], ...] = (
    (RigError, "rig-link"),
    (NotReady, "no-unit"),
    (ScorerFailed, "scorer"),
)


def reason_of(trouble: RestpointError) -> str:
    """Reason code for a run ended by `trouble`; a fault or refusal with a code of its own first, then the class."""
    named = _BY_FAULT.get(str(trouble.facts.get("fault", ""))) or _BY_REFUSAL.get(str(trouble.facts.get("refusal", "")))
    if named:
        return named
    return next((reason for kind, reason in _BY_CLASS if isinstance(trouble, kind)), "interrupted")
