"""The gate in front of every route, as a pure ASGI layer: who is asking, may they, and does the request come from our own page."""

import hmac
from typing import Final
from urllib.parse import quote, urlsplit

from anyio.to_thread import run_sync
from starlette.datastructures import Headers
from starlette.requests import cookie_parser
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from api.http.access import LOCAL, Access, Principal, Role
from api.http.problems import CROSS_SITE, SIGN_IN_NEEDED, kind_of, problem_response
from station.errors import AccessDenied

COOKIE: Final = "restpoint_pass"
REQUEST_TOKEN: Final = "x-restpoint-request"
SAFE: Final = frozenset({"GET", "HEAD", "OPTIONS"})
OPEN_PATHS: Final = frozenset(
    {"/healthz", "/readyz", "/sign-in", "/sign-out", "/favicon.ico"}
)  # neither moves anything nor tells of any unit
OPEN_FOLDERS: Final = ("/static/", "/problems/")


class Gate:
    """Puts the Principal at `scope["state"]["principal"]`, or answers 401, 403, or a redirect to the sign-in page."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app = app
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        answer = await self._refusal(scope)
        await (self._app if answer is None else answer)(scope, receive, send)

    async def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        if scope["method"] not in SAFE and not same_site(headers):
            return problem_response(CROSS_SITE, "an unsafe request must come from a page of this station", scope["path"])
        if is_open(scope["path"]):
            return None
        try:
            principal = LOCAL if self._access.open else await self._ask(headers)
        except AccessDenied as denied:
            return _sign_in(scope, headers, denied)
        scope.setdefault("state", {})["principal"] = principal
        return self._over_role(scope, headers, principal)

    async def _ask(self, headers: Headers) -> Principal:
        scheme, _, token = headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer":
            return await run_sync(self._access.by_token, token.strip())
        cookie = _cookie(headers)
        if not cookie:
            raise AccessDenied("no token was sent")
        return self._access.by_pass(cookie)

    def _over_role(self, scope: Scope, headers: Headers, principal: Principal) -> Response | None:
        if scope["method"] in SAFE:
            return None
        if principal.role < Role.OPERATE:
            denied = AccessDenied(f"{principal.name} may view; {scope['method']} needs the role operate")
            return problem_response(kind_of(denied), denied.message, scope["path"])
        if principal.by_pass:
            expected = self._access.request_token(_cookie(headers))
            if not hmac.compare_digest(headers.get(REQUEST_TOKEN, "").encode(), expected.encode()):
                return problem_response(CROSS_SITE, f"the header {REQUEST_TOKEN} does not carry this page's token", scope["path"])
        return None


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
