"""The control channel: one JSON object a line asks, one answers. Pure: bytes are somebody else's.

{"do": "clamp", "serial": "DN2-04101"}                  -> {"ok": true, "result": {...}}
{"do": "servo", "stroke": 0.8, "after_s": 0.12}         -> {"ok": true, "result": null}, done 0.12 s of rig time later
{"do": "servo", "strike": 0.8}                          -> {"ok": false, "error": "...", "code": "configuration"}
"""

import inspect
import json
from collections.abc import Callable, Mapping
from typing import Any, Final

from pydantic import ConfigDict, ValidationError, validate_call

from rigs.emulated.hands import Hands
from rigs.emulated.ills import VERBS, Cable, Ills
from rigs.emulated.rig import EmulatedRig
from station.errors import ConfigurationError, RestpointError, UsageError

PERSON: Final = (
    "clamp",
    "unclamp",
    "open_guard",
    "close_guard",
    "press_start",
    "press_stop",
    "release_stop",
    "fit",
    "state",
    "log",
)
LATER_MAX_S: Final = 86_400.0


class Control:
    """Requests to one rig."""

    def __init__(self, rig: EmulatedRig, cable: Cable | None = None) -> None:
        self._rig = rig
        hands, ills = Hands(rig), Ills(rig, cable)
        deeds = [getattr(hands, name) for name in PERSON] + [getattr(ills, name) for name in VERBS]
        checked = validate_call(config=ConfigDict(strict=True))
        self._verbs: dict[str, Callable[..., Any]] = {deed.__name__: checked(deed) for deed in deeds}

    def answer(self, line: bytes) -> bytes:
        """The line that answers a line; never raises for what was asked."""
        try:
            reply: dict[str, Any] = {"ok": True, "result": self.do(_parsed(line))}
        except RestpointError as problem:
            reply = {"ok": False, "error": problem.message, "code": problem.code}
        return json.dumps(reply).encode() + b"\n"

    def do(self, request: Mapping[str, Any]) -> Any:
        """Carry out a request, now or after_s later. Raises UsageError and its kind, NotReady, NotFound.

        What is done later has its names checked now; what it finds then, it finds then.
        """
        arguments = dict(request)
        verb, after_s = arguments.pop("do", None), arguments.pop("after_s", None)
        if verb not in self._verbs:
            raise UsageError(f"do is {verb!r}; expected one of {', '.join(self._verbs)}")
        deed = self._verbs[verb]
        try:
            inspect.signature(deed).bind(**arguments)
        except TypeError as problem:
            raise UsageError(f"{verb}: {problem}; expected {inspect.signature(deed)}") from problem
        if after_s is None:
            return self._perform(verb, arguments)
        number = isinstance(after_s, (int, float)) and not isinstance(after_s, bool)
        if not number or not 0.0 <= after_s <= LATER_MAX_S:
            raise ConfigurationError("after_s", after_s, f"0 to {LATER_MAX_S:g} s")
        self._rig.at(self._rig.now_s + after_s, lambda: self._perform_later(verb, arguments))
        return None

    def _perform(self, verb: str, arguments: Mapping[str, Any]) -> Any:
        try:
            return self._verbs[verb](**arguments)
        except ValidationError as problem:
            first = problem.errors()[0]
            where = ".".join(str(part) for part in first["loc"])
            raise UsageError(f"{verb}: {where} is {first['input']!r}; {first['msg']}") from problem

    def _perform_later(self, verb: str, arguments: Mapping[str, Any]) -> None:
        """Nobody waits for an answer any more: what is refused goes to the log."""
        try:
            self._perform(verb, arguments)
        except RestpointError as problem:
            self._rig.log.add(self._rig.now_s, "refused", name=verb, why=problem.message)


def _parsed(line: bytes) -> Mapping[str, Any]:
    try:
        request = json.loads(line)
    except ValueError as problem:
        raise UsageError(f"request is no JSON: {problem}") from problem
    if not isinstance(request, dict):
        raise UsageError(f"request is {type(request).__name__}; expected a JSON object")
    return request
