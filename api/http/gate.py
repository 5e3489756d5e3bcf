"""The gate in front of every route, as a pure ASGI layer: who is asking, may they, and does the request come from our own page.

Whoever shows wrong tokens too often is not listened to for a while; what is refused is written down where a trail is kept.
"""

import hmac
from collections.abc import Awaitable, Callable
from typing import Final
from urllib.parse import quote, urlsplit

from anyio.to_thread import run_sync
from starlette.datastructures import Headers
from starlette.requests import cookie_parser
from starlette.responses import RedirectResponse, Response
from starlette.routing import Match
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.http.access import LOCAL, Access, Principal
from api.http.limits import WrongTokens, asker_of
from api.http.problems import CROSS_SITE, SIGN_IN_NEEDED, TOO_MANY, kind_of, problem_response
from api.http.roles import least_role
from station.errors import AccessDenied

COOKIE: Final = "restpoint_pass"
REQUEST_TOKEN: Final = "x-restpoint-request"
SAFE: Final = frozenset({"GET", "HEAD", "OPTIONS"})
OPEN_PATHS: Final = frozenset(
    {"/healthz", "/readyz", "/sign-in", "/sign-out", "/favicon.ico"}
)  # neither moves anything nor tells of any unit
Refused = Callable[[Scope, int], Awaitable[None]]
OPEN_FOLDERS: Final = ("/static/", "/problems/")


class Gate:
    """Puts the Principal at `scope["state"]["principal"]`, or answers 401, 403, 429, or a redirect to the sign-in page."""

    def __init__(self, app: ASGIApp, access: Access, refused: Refused | None = None) -> None:
        self._app = app
        self._access = access
        self._refused = refused
        self._wrong = WrongTokens()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        answer = await self._refusal(scope)
        if answer is not None:
            await self._tell(scope, answer.status_code)
            await answer(scope, receive, send)
        elif (scope["method"], scope["path"]) == ("POST", "/sign-in"):
            await self._app(scope, receive, self._counting(scope, send))
        else:
            await self._app(scope, receive, send)

    async def _tell(self, scope: Scope, status: int) -> None:
        if self._refused is not None and status in (401, 403):
            await self._refused(scope, status)

    async def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        if scope["method"] not in SAFE and not same_site(headers):
            return problem_response(CROSS_SITE, "an unsafe request must come from a page of this station", scope["path"])
        if is_open(scope["path"]):
            return self._too_many(scope) if (scope["method"], scope["path"]) == ("POST", "/sign-in") else None
        try:
            principal = LOCAL if self._access.open else await self._ask(scope, headers)
        except AccessDenied as denied:
            return self._too_many(scope) or _sign_in(scope, headers, denied)
        scope.setdefault("state", {})["principal"] = principal
        return self._over_role(scope, headers, principal)

    async def _ask(self, scope: Scope, headers: Headers) -> Principal:
        scheme, _, token = headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer":
            return await self._by_token(asker_of(scope), token.strip())
        cookie = _cookie(headers)
        if not cookie:
            raise AccessDenied("no token was sent")
        return self._access.by_pass(cookie)

    async def _by_token(self, asker: str, token: str) -> Principal:
        known = self._access.known(token)
        if not known and self._wrong.wait_s(asker):
            raise AccessDenied("too many wrong tokens came from this address")
        try:
            return self._access.by_token(token) if known else await run_sync(self._access.by_token, token)
        except AccessDenied:
            self._wrong.count(asker)
            raise

    def _too_many(self, scope: Scope) -> Response | None:
        """The answer to an address that showed wrong tokens too often."""
        wait_s = self._wrong.wait_s(asker_of(scope))
        if not wait_s:
            return None
        answer = problem_response(TOO_MANY, f"too many wrong tokens came from this address; wait {wait_s} s", scope["path"])
        answer.headers["Retry-After"] = str(wait_s)
        return answer

    def _counting(self, scope: Scope, send: Send) -> Send:
        """Counts a wrong token at the sign-in page."""

        async def counted(message: Message) -> None:
            if message["type"] == "http.response.start" and message["status"] == 401:
                self._wrong.count(asker_of(scope))
                await self._tell(scope, 401)
            await send(message)

        return counted

    def _over_role(self, scope: Scope, headers: Headers, principal: Principal) -> Response | None:
        least = least_role(scope["method"], scope["path"])
        if least is None:
            return _unlisted(scope)
        if principal.role < least:
            role, needed = principal.role.name.lower(), least.name.lower()
            denied = AccessDenied(f"{principal.name} may {role}; {scope['method']} {scope['path']} needs the role {needed}")
            return problem_response(kind_of(denied), denied.message, scope["path"])
        if scope["method"] not in SAFE and principal.by_pass:
            expected = self._access.request_token(_cookie(headers))
            if not hmac.compare_digest(headers.get(REQUEST_TOKEN, "").encode(), expected.encode()):
                return problem_response(CROSS_SITE, f"the header {REQUEST_TOKEN} does not carry this page's token", scope["path"])
        return None


def _unlisted(scope: Scope) -> Response | None:
    """What stands in no table of roles is denied if there is such a route; else the framework says that there is none."""
    if all(route.matches(scope)[0] is not Match.FULL for route in scope["app"].router.routes):
        return None
    denied = AccessDenied(f"{scope['method']} {scope['path']} has no role that may")
    return problem_response(kind_of(denied), denied.message, scope["path"])


def is_open(path: str) -> bool:
    """Paths that need no token: probes, the sign-in page and what it is drawn with."""
    return path in OPEN_PATHS or path.startswith(OPEN_FOLDERS)


def same_site(headers: Headers) -> bool:
    """Whether a browser says that the request comes from this very address. Programs that say nothing are no browsers."""
    if headers.get("sec-fetch-site", "same-origin") not in {"same-origin", "none"}:
        return False
    origin = headers.get("origin")
    return origin is None or urlsplit(origin).netloc.lower() == headers.get("host", "").lower()


def _cookie(headers: Headers) -> str:
    return cookie_parser(headers.get("cookie", "")).get(COOKIE, "")


def _sign_in(scope: Scope, headers: Headers, denied: AccessDenied) -> Response:
    wants_page = "text/html" in headers.get("accept", "") and scope["method"] == "GET" and not scope["path"].startswith("/v1")
    if wants_page:
        return RedirectResponse(f"/sign-in?next={quote(scope['path'])}", 303)
    return problem_response(SIGN_IN_NEEDED, denied.message, scope["path"])
