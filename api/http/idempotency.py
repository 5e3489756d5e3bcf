"""Idempotency-Key on requests that must not be done twice: a start, a procedure's step, a part that was fitted.

As the IETF draft has it (draft-ietf-httpapi-idempotency-key-header, from memory): the same request again gets the answer of the first,
409 while that goes on, 422 when another request comes with its key. Keys belong to who sent them and are kept for a day in the database.
The header may be left out. A refusal (4xx) changed nothing and gives its key free; whatever else was answered, also 5xx, is kept.
"""

import hashlib
import re
from datetime import UTC, datetime
from typing import Final

from anyio.to_thread import run_sync
from starlette.datastructures import Headers
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.http.audit import AccessBook, too_large
from api.http.limits import given_again, read_body
from api.http.problems import KEY_BAD, KEY_REUSED, KEY_RUNNING, kind_of, problem_response
from api.http.roles import template_of
from db.answers import Answer, AnswerStore, Earlier
from station.errors import StoreError

KEYED: Final = frozenset(
    {
        "/v1/rigs/{rig}/start",
        "/v1/rigs/{rig}/procedures",
        "/v1/procedures/{number}/go-on",
        "/v1/rework/{order}/fitted",
    }
)
KEY: Final = re.compile(r"[\x21-\x7e]{1,200}")
REPEATED: Final = "idempotency-repeated"
KEPT_HEADERS: Final = frozenset({"content-type", "location", "etag"})


class Keyed:
    """Answers a repeated request from what was kept. Without a book the header is not looked at."""

    def __init__(self, app: ASGIApp, book: AccessBook | None, most: int) -> None:
        self._app = app
        self._answers = None if book is None else book.answers
        self._most = most

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        key = Headers(scope=scope).get("idempotency-key") if scope["type"] == "http" else None
        if key is None or self._answers is None or template_of(scope["method"], scope["path"]) not in KEYED:
            await self._app(scope, receive, send)
        elif not KEY.fullmatch(key):
            await problem_response(KEY_BAD, f"Idempotency-Key has {len(key)} characters", scope["path"])(scope, receive, send)
        else:
            await self._once(self._answers, key, scope, receive, send)

    async def _once(self, answers: AnswerStore, key: str, scope: Scope, receive: Receive, send: Send) -> None:
        who = scope["state"]["principal"].name
        body = await read_body(receive, self._most)
        if body is None:
            await too_large(scope, self._most)(scope, receive, send)
            return
        digest = request_digest(scope, body)
        try:
            earlier = await run_sync(answers.begin, who, key, digest, datetime.now(UTC))
        except StoreError as problem:
            await problem_response(kind_of(problem), problem.message, scope["path"])(scope, receive, send)
            return
        if earlier is not None:
            await _repeated(earlier, digest, scope)(scope, receive, send)
            return
        messages: list[Message] = []

        async def hold(message: Message) -> None:
            messages.append(message)

        await self._app(scope, given_again(body, receive), hold)
        await _settle(answers, who, key, _answer(messages))
        for message in messages:
            await send(message)


def request_digest(scope: Scope, body: bytes) -> str:
    """What makes two requests the same: method, address, question and body."""
    line = f"{scope['method']} {scope['path']}?".encode() + bytes(scope["query_string"])
    return hashlib.sha256(line + b"\n" + body).hexdigest()


async def _settle(answers: AnswerStore, who: str, key: str, answer: Answer) -> None:
    """An answer that cannot be kept leaves its key taken: a repetition is then refused, never done twice."""
    try:
        if 400 <= answer.status < 500:
            await run_sync(answers.forget, who, key)
        else:
            await run_sync(answers.keep, who, key, answer)
    except StoreError:
        return


def _repeated(earlier: Earlier, digest: str, scope: Scope) -> Response:
    if earlier.digest != digest:
        return problem_response(KEY_REUSED, "this Idempotency-Key came with another request before", scope["path"])
    if earlier.answer is None:
        return problem_response(KEY_RUNNING, "the first request with this key has no answer yet", scope["path"])
    return Response(earlier.answer.body, earlier.answer.status, {**dict(earlier.answer.headers), REPEATED: "true"})


def _answer(messages: list[Message]) -> Answer:
    start = next(message for message in messages if message["type"] == "http.response.start")
    pairs = [(name, value) for name, value in Headers(raw=start["headers"]).items() if name in KEPT_HEADERS]
    body = b"".join(message.get("body", b"") for message in messages if message["type"] == "http.response.body")
    return Answer(start["status"], pairs, body)
