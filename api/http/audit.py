"""The audit trail's layer around the routes: what an unsafe request changed is written down before it is answered.

Refusals are written down too, but no faster than a few a minute for each address, so that nobody fills the disk by being refused.
"""

import json
import logging
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final, cast

from anyio.to_thread import run_sync
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.http.access import Principal
from api.http.bodies_rework import OrderDetailBody
from api.http.limits import Buckets, asker_of, given_again, read_body
from api.http.problems import HTTP_KINDS, problem_response
from api.http.proof import chart_of
from api.http.roles import WRITE, template_of
from db.answers import AnswerStore
from db.audit import AuditEntry, AuditStore
from db.blocks import plain
from db.chain import digest_of
from db.queries.rework import ReworkQueries
from station.errors import RestpointError, StoreError, UsageError

LOG: Final = logging.getLogger(__name__)
ASKED_MAX: Final = 2000  # characters of a body; chosen: all that our pages send, not what a stranger may
WHAT_MAX: Final = 300
REFUSED_BURST, REFUSED_EVERY_S = 20, 60.0  # of one address; chosen: enough to see what was tried, 1,500 rows a day
ALL_BURST, ALL_EVERY_S = 200, 10.0  # of all addresses together: below 9,000 rows a day


@dataclass(frozen=True, slots=True)
class AccessBook:
    """Where the doors write: the trail, and answers to keyed requests."""

    trail: AuditStore
    answers: AnswerStore


Asked = Mapping[str, str]
Subject = Callable[[Any, Asked, Mapping[str, Any]], Any]


def _rig(state: Any, asked: Asked, _: Mapping[str, Any]) -> Any:
    return vars_of(state.desk.rig(asked["rig"]))


def _order(state: Any, asked: Asked, _: Mapping[str, Any]) -> Any:
    return OrderDetailBody.of(ReworkQueries(state.queries.database).order(int(asked["order"]))).model_dump(mode="json")


def _procedures(state: Any, asked: Asked, _: Mapping[str, Any]) -> Any:
    return vars_of(state.proof.state(asked["rig"]))


def _procedure(state: Any, asked: Asked, _: Mapping[str, Any]) -> Any:
    return vars_of(state.proof.procedure(int(asked["number"])))


def _chart(state: Any, _: Asked, body: Mapping[str, Any]) -> Any:
    return dict(state.proof.chart(chart_of(str(body.get("key", "")))))


def _alarms(state: Any, _: Asked, __: Mapping[str, Any]) -> Any:
    return dict(state.desk.alarms())


SUBJECTS: Final[Mapping[str, Subject]] = {
    "/v1/rigs/{rig}/unit": _rig,
    "/v1/rigs/{rig}/start": _rig,
    "/v1/rigs/{rig}/halt": _rig,
    "/v1/rigs/{rig}/reset": _rig,
    "/v1/rigs/{rig}/procedures": _procedures,
    "/v1/procedures/{number}/go-on": _procedure,
    "/v1/procedures/{number}/abandon": _procedure,
    "/v1/charts/notes": _chart,
    "/v1/charts/limits": _chart,
    "/v1/rework/{order}/fitted": _order,
    "/v1/rework/{order}/scrap": _order,
    "/v1/rework/{order}/withdraw": _order,
    "/v1/monitors/set-back": _alarms,
}
"""What each unsafe request changes, looked at before and after."""


class Trail:
    """Writes entries; refusals in bounded number. Called on the event loop; without a book it writes nothing."""

    def __init__(self, book: AccessBook | None, now_s: Callable[[], float] = time.monotonic) -> None:
        self._book = book
        self._each = Buckets(REFUSED_BURST, REFUSED_EVERY_S, now_s)
        self._all = Buckets(ALL_BURST, ALL_EVERY_S, now_s)
        self.left_out = 0  # refusals since the last one that was written down

    @property
    def kept(self) -> bool:
        """Whether there is a book to write into."""
        return self._book is not None

    async def changed(self, scope: Scope, status: int, asked: str, before: str, after: str) -> None:
        """Something was done."""
        await self._write(scope, status, asked=asked, before=before, after=after)

    async def refused(self, scope: Scope, status: int) -> None:
        """Something was not allowed."""
        if not (self._each.take(asker_of(scope)) and self._all.take("")):
            self.left_out += 1
            return
        left_out, self.left_out = self.left_out, 0
        await self._write(scope, status, left_out=left_out)

    async def _write(self, scope: Scope, status: int, **more: Any) -> None:
        if self._book is None:
            return
        who = cast(Principal | None, scope.get("state", {}).get("principal"))
        name, role = (who.name, who.role.name.lower()) if who else ("", "")
        address = printable(str((scope.get("client") or ("",))[0]), WHAT_MAX)
        what = printable(f"{scope['method']} {scope['path']}", WHAT_MAX)
        try:
            await run_sync(self._book.trail.write, AuditEntry(datetime.now(UTC), name, role, address, what, status, **more))
        except StoreError as problem:  # what was done is done; its answer must still be told
            LOG.error("audit entry not kept: %s, %s by %s from %s: %s", status, what, name, address, problem)


class Audited:
    """Writes down every unsafe request that changed something, and every one that a route refused to this person."""

    def __init__(self, app: ASGIApp, trail: Trail, most: int) -> None:
        self._app = app
        self._trail = trail
        self._most = most

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        template = template_of(scope["method"], scope["path"]) if scope["type"] == "http" else ""
        if not self._trail.kept or template not in WRITE or scope["method"] != "POST":
            await self._app(scope, receive, send)
            return
        body = await read_body(receive, self._most)
        if body is None:
            await too_large(scope, self._most)(scope, receive, send)
            return
        look = _looking(scope, template, body)
        before = await run_sync(look)
        answer: list[Message] = []

        async def hold(message: Message) -> None:
            answer.append(message)

        await self._app(scope, given_again(body, receive), hold)
        status = next(message["status"] for message in answer if message["type"] == "http.response.start")
        if status < 400:
            await self._trail.changed(scope, status, printable(body.decode("utf-8", "replace"), ASKED_MAX), before, await run_sync(look))
        elif status in (401, 403):
            await self._trail.refused(scope, status)
        for message in answer:
            await send(message)


def too_large(scope: Scope, most: int) -> ASGIApp:
    """The answer to a body of more than `most` bytes."""
    return problem_response(HTTP_KINDS[413], f"{scope['method']} {scope['path']}: the body is larger than {most} bytes", scope["path"])


def printable(text: str, most: int) -> str:
    """Text that every database and every log takes: control characters written out, cut to a length."""
    safe = text[:most].encode("utf-8", "replace").decode("utf-8")
    return "".join(one if one.isprintable() else one.encode("unicode_escape").decode() for one in safe)[:most]


def vars_of(value: Any) -> Any:
    """A value of the station's words as JSON knows it."""
    if hasattr(value, "__dataclass_fields__"):
        return {name: vars_of(getattr(value, name)) for name in value.__dataclass_fields__}
    if isinstance(value, Mapping):
        return {str(key): vars_of(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [vars_of(inner) for inner in value]
    return value.isoformat() if isinstance(value, datetime) else value if isinstance(value, int | float | str | None) else str(value)


def _looking(scope: Scope, template: str, body: bytes) -> Callable[[], str]:
    """Looks at what a request changes: the digest of it as JSON, "" where there is no such thing."""
    parts = zip(template.split("/"), scope["path"].split("/"), strict=True)
    asked = {name[1:-1]: value for name, value in parts if name.startswith("{")}
    state, subject = scope["app"].state, SUBJECTS[template]

    def look() -> str:
        try:
            return digest_of(plain(subject(state, asked, _members(body))))
        except (RestpointError, UsageError, ValueError, AttributeError):  # no such rig, number, chart, or no desk for it: the route says so
            return ""

    return look


def _members(body: bytes) -> Mapping[str, Any]:
    try:
        members = json.loads(body) if body else {}
    except (ValueError, RecursionError):  # the route says what is wrong with it
        return {}
    return members if isinstance(members, dict) else {}
