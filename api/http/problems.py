"""Every error as `application/problem+json` (RFC 9457): one table from our error classes to status, title and stable type URI.

The type URI of a code is `/problems/<code>`; each is a page of this service that says what happened and what to do.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, cast

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException

from station import errors

MEDIA_TYPE: Final = "application/problem+json"
RETRY_AFTER_S: Final = 5  # chosen: one turn of a person's patience, several of the rig's reconnection


class StreamsFull(errors.StationError):
    """More event streams are open than the station allows."""

    code = "streams-full"


class ExportsFull(errors.StationError):
    """More exports are being made than the station allows."""

    code = "exports-full"


class ChangedMeanwhile(errors.StationError):
    """An edit rests on a state that is not so any more."""

    code = "changed-meanwhile"


class NotAcceptable(errors.UsageError):
    """A format was asked for that this answer does not have."""

    code = "not-acceptable"


class Problem(BaseModel):
    """RFC 9457 section 3.1, with `code` (the last part of `type`), what is at stake in `facts`, and field errors in `errors`."""

    model_config = ConfigDict(extra="forbid")

    type: str = Field(examples=["/problems/not-found"])
    title: str
    status: int
    detail: str
    instance: str
    code: str
    facts: dict[str, Any] = {}
    errors: list[dict[str, Any]] = []


@dataclass(frozen=True, slots=True)
class Kind:
    """One documented problem: HTTP status, short title, and what a person can do."""

    code: str
    status: int
    title: str
    advice: str
    headers: Mapping[str, str] = field(default_factory=dict)


_RETRY = {"Retry-After": str(RETRY_AFTER_S)}

ERROR_KINDS: Final[Mapping[type[errors.RestpointError], Kind]] = {
    errors.RestpointError: Kind("error", 500, "The station could not do this", "Note the time and look into the station's log."),
    errors.UsageError: Kind("usage", 422, "What was asked for cannot be", "Change the request as the detail says."),
    NotAcceptable: Kind("not-acceptable", 406, "Not available in this format", "Ask for one of the formats that the detail names."),
    errors.KeyProblem: Kind("usage", 422, "What was asked for cannot be", "Change the key that the detail names."),
    errors.SpecificationError: Kind("specification", 422, "A specification cannot be used", "Correct the key that the detail names."),
    errors.ConfigurationError: Kind(
        "configuration", 500, "The configuration is wrong", "Correct the key that the detail names, then restart."
    ),
    errors.RecordingUnreadable: Kind(
        "recording-unreadable", 422, "A recording cannot be read", "Export it again with the columns of the manual."
    ),
    errors.StudyUnreadable: Kind("study-unreadable", 422, "A gauge study cannot be evaluated", "Complete the study as the detail says."),
    errors.MarkingError: Kind("marking", 422, "A capacitor marking cannot be read", "Write it like 0.33uF, 330n or 334."),
    errors.RigError: Kind("rig", 503, "The rig could not do this", "Look at the rig and its cable, then start again.", _RETRY),
    errors.LinkLost: Kind(
        "link-lost", 503, "The rig is not answering", "Check cable and power; then a deliberate start is needed.", _RETRY
    ),
    errors.LinkBad: Kind(
        "link-bad", 503, "The rig's words make no sense", "Check the rate of the port and that nobody else uses it.", _RETRY
    ),
    errors.RigMismatch: Kind("rig-mismatch", 503, "This is another rig than expected", "Compare rig, firmware and configuration."),
    errors.RigRefused: Kind("rig-refused", 409, "The rig refused", "Do what the detail says, then start again."),
    errors.RigFault: Kind("rig-fault", 409, "The rig reports a fault", "Remove the cause, reset, then start again."),
    errors.StoreError: Kind("store", 503, "The database could not do this", "Look into the station's log.", _RETRY),
    errors.StoreUnavailable: Kind(
        "store-unavailable", 503, "The database is away", "Check disk space; the request may be repeated.", _RETRY
    ),
    errors.SchemaMismatch: Kind("schema-mismatch", 503, "The database has another revision", "Run the command that the detail names."),
    errors.NotFound: Kind("not-found", 404, "No such thing here", "Check the name or number."),
    errors.StationError: Kind("station", 503, "The station cannot do this now", "Wait a moment and repeat the request.", _RETRY),
    errors.NotReady: Kind("not-ready", 409, "Something is missing before this may be done", "Do what the detail says, then ask again."),
    errors.Busy: Kind("busy", 409, "The rig is in a run", "Wait for its end, or halt it."),
    errors.ScorerFailed: Kind("scorer", 500, "Measuring failed", "The trace is kept; report it with the station's log."),
    errors.AccessDenied: Kind("access-denied", 403, "Not allowed", "Ask whoever looks after this station for another token."),
    ExportsFull: Kind("exports-full", 503, "Too many exports at once", "Wait until one has ended, then ask again.", _RETRY),
    ChangedMeanwhile: Kind("changed-meanwhile", 412, "It was changed meanwhile", "Read it again, then decide again."),
    StreamsFull: Kind("streams-full", 503, "Too many event streams", "Close some pages and try again.", _RETRY),
}

SIGN_IN_NEEDED: Final = Kind(
    "sign-in-needed",
    401,
    "A token is needed",
    "Send `Authorization: Bearer TOKEN`, or sign in at /sign-in.",
    {"WWW-Authenticate": "Bearer"},
)
CROSS_SITE: Final = Kind("cross-site", 403, "This request comes from another site", "Use the pages of this station itself.")
HOST_UNKNOWN: Final = Kind("host-unknown", 421, "This station does not answer to that name", "Add the name to the allowed hosts.")
TOO_MANY: Final = Kind("too-many", 429, "Too many wrong tokens", "Wait as long as Retry-After says; then use a token of this station.")
KEY_BAD: Final = Kind("key-bad", 400, "The Idempotency-Key cannot be used", "Send 1 to 200 visible ASCII characters, new for each deed.")
KEY_RUNNING: Final = Kind(
    "key-running", 409, "The same request is going on, or was cut short", "Look what came of it; a new deed needs a new key.", _RETRY
)
KEY_REUSED: Final = Kind("key-reused", 422, "This key belongs to another request", "Use a new Idempotency-Key for each deed.")
NOT_VALID: Final = Kind("not-valid", 422, "Parts of the request are not valid", "Correct the fields listed in `errors`.")
ACCESS_KINDS: Final = (TOO_MANY, KEY_BAD, KEY_RUNNING, KEY_REUSED)
INTERNAL: Final = Kind("internal", 500, "A defect in this software", "Note the time and report it with the station's log.")

HTTP_KINDS: Final[Mapping[int, Kind]] = {
    400: Kind("bad-request", 400, "The request cannot be read", "Check that the body is valid JSON in UTF-8."),
    401: SIGN_IN_NEEDED,
    404: Kind("no-such-address", 404, "No such address", "See /docs/api for the addresses there are."),
    405: Kind("method-not-allowed", 405, "This address does not take that method", "See /docs/api for its methods."),
    413: Kind("body-too-large", 413, "The request body is too large", "Send less at a time."),
    415: Kind("media-type", 415, "Unknown kind of request body", "Send JSON with Content-Type application/json."),
}

ALL_KINDS: Final[Mapping[str, Kind]] = {
    kind.code: kind for kind in [*ERROR_KINDS.values(), *HTTP_KINDS.values(), CROSS_SITE, HOST_UNKNOWN, *ACCESS_KINDS, NOT_VALID, INTERNAL]
}


def kind_of(error: errors.RestpointError) -> Kind:
    """The kind of the error's nearest class in the table."""
    return next(ERROR_KINDS[cls] for cls in type(error).__mro__ if cls in ERROR_KINDS)


def problem_of(kind: Kind, detail: str, instance: str, **members: Any) -> Problem:
    """The document of one occurrence."""
    return Problem(
        type=f"/problems/{kind.code}", title=kind.title, status=kind.status, detail=detail, instance=instance, code=kind.code, **members
    )


def problem_response(kind: Kind, detail: str, instance: str, **members: Any) -> JSONResponse:
    """A problem document as a response; members are `facts` and `errors`."""
    body = problem_of(kind, detail, instance, **members)
    headers = {"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff", **kind.headers}
    return JSONResponse(body.model_dump(mode="json"), kind.status, headers, MEDIA_TYPE)


ProblemPage = Callable[[Request, Problem, str], Response]


def install(app: FastAPI, as_page: ProblemPage) -> None:
    """Replace every default error answer of the framework; a browser that asked for a page gets one from `as_page`."""
    app.state.problem_page = as_page
    app.add_exception_handler(errors.RestpointError, _on_ours)
    app.add_exception_handler(RequestValidationError, _on_validation)
    app.add_exception_handler(HTTPException, _on_http)
    app.add_exception_handler(Exception, _on_defect)


def _answer(request: Request, kind: Kind, detail: str, **members: Any) -> Response:
    wants_page = "text/html" in request.headers.get("accept", "") and not request.url.path.startswith("/v1/")
    if not wants_page:
        return problem_response(kind, detail, request.url.path, **members)
    response = cast(ProblemPage, request.app.state.problem_page)(
        request, problem_of(kind, detail, request.url.path, **members), kind.advice
    )
    response.headers.update(kind.headers)
    return response


def _on_ours(request: Request, error: Exception) -> Response:
    assert isinstance(error, errors.RestpointError)
    return _answer(request, kind_of(error), error.message, facts={key: str(value) for key, value in error.facts.items()})


def _on_validation(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    found = [{"where": ".".join(str(part) for part in one["loc"]), "what": one["msg"]} for one in error.errors()]
    return _answer(request, NOT_VALID, "; ".join(f"{one['where']}: {one['what']}" for one in found), errors=found)


def _on_http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    kind = HTTP_KINDS.get(error.status_code) or Kind("bad-request", error.status_code, str(error.detail), "See the detail.")
    response = _answer(request, kind, f"{request.method} {request.url.path}: {error.detail}")
    response.headers.update(error.headers or {})
    return response


def _on_defect(request: Request, _: Exception) -> Response:
    return problem_response(INTERNAL, "An unexpected error; the log holds the particulars.", request.url.path)
