"""One error tree. A message says what happened, the reading, what was expected, and what to do next.

A bad unit is a verdict and never an exception; a bad rig or recording is an error here, or the verdict `invalid`.

    RestpointError                    anything we raise on purpose
    |- UsageError                     the person or file asked for something that cannot be (exit code 2)
    |  |- SpecificationError          a key of a specification: unknown, missing, out of range
    |  |- ConfigurationError          a key of the station's configuration file
    |  |- RecordingUnreadable         a recording file that is not what the contract says
    |  |- StudyUnreadable             a gauge study file that cannot be evaluated
    |  `- MarkingError                a capacitor code nobody can read
    |- RigError                       the machine or its link
    |  |- LinkLost                    silence, an unplugged cable, a closed port
    |  |- LinkBad                     bytes arrive but make no sense (rate, framing, stolen bytes)
    |  |- RigMismatch                 another rig, protocol or firmware than expected
    |  |- RigRefused                  the rig answered no to a command, with its reason
    |  `- RigFault                    the rig reports a latched fault (stop, guard, clamp, dead-man, runaway)
    |- StoreError                     the database
    |  |- StoreUnavailable            locked, full, unreadable
    |  |- SchemaMismatch              a database of another revision
    |  `- NotFound                    no such run, unit, rig, specification
    `- StationError                   the service cannot do this now
       |- NotReady                    something is missing before a run may start
       |- Busy                        the rig is already in a run
       |- ScorerFailed                our own computation raised; the trace is kept and can be scored again
       `- AccessDenied               no token, or not one we know
"""

from typing import Any


class RestpointError(Exception):
    """Base of the tree. `code` is stable and documented; `str()` is one line for the operator."""

    code = "error"

    def __init__(self, message: str, **facts: Any) -> None:
        super().__init__(message)
        self.message = message
        self.facts = facts


class UsageError(RestpointError):
    code = "usage"


class KeyProblem(UsageError):
    """A named key holds a value that cannot be; says the key, the value and what was expected."""

    subject = "input"

    def __init__(self, key: str, value: object, expected: str) -> None:
        shown = "missing" if value is None else f"is {value!r}"
        super().__init__(f"{self.subject}: {key} {shown}; expected {expected}", key=key, value=value, expected=expected)
        self.key, self.value, self.expected = key, value, expected


class SpecificationError(KeyProblem):
    code = "specification"
    subject = "specification"


class ConfigurationError(KeyProblem):
    code = "configuration"
    subject = "configuration"


class RecordingUnreadable(UsageError):
    code = "recording-unreadable"


class StudyUnreadable(UsageError):
    code = "study-unreadable"


class MarkingError(UsageError):
    code = "marking"


class RigError(RestpointError):
    code = "rig"


class LinkLost(RigError):
    code = "link-lost"


class LinkBad(RigError):
    code = "link-bad"


class RigMismatch(RigError):
    code = "rig-mismatch"


class RigRefused(RigError):
    code = "rig-refused"


class RigFault(RigError):
    code = "rig-fault"


class StoreError(RestpointError):
    code = "store"


class StoreUnavailable(StoreError):
    code = "store-unavailable"


class SchemaMismatch(StoreError):
    code = "schema-mismatch"


class NotFound(StoreError):
    code = "not-found"


class StationError(RestpointError):
    code = "station"


class NotReady(StationError):
    code = "not-ready"


class Busy(StationError):
    code = "busy"


class ScorerFailed(StationError):
    code = "scorer"


class AccessDenied(StationError):
    code = "access-denied"
