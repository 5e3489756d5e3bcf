"""Pure ASGI layers around every answer: the Host allow-list, and headers that keep a browser from doing more than the pages ask for.

No cross-origin header is ever sent, so no other site may read an answer (CORS off).
"""

import secrets
from typing import Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.http.problems import HOST_UNKNOWN, HTTP_KINDS, INTERNAL, problem_response

# Styles that the chart library adds at run time carry the nonce of their page; nothing inline runs otherwise, and nothing is evaluated.
POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'nonce-{nonce}'; img-src 'self' data: blob:; connect-src 'self'; "
    "font-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
FIXED: Final = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


class GuardingHeaders:
    """Adds the Content-Security-Policy and its companions; the nonce is at `scope["state"]["nonce"]` for the templates."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        nonce = secrets.token_urlsafe(16)
        scope.setdefault("state", {})["nonce"] = nonce

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers["Content-Security-Policy"] = POLICY.format(nonce=nonce)
                for name, value in FIXED.items():
                    headers[name] = value
                headers.setdefault("Cache-Control", cache_rule(scope["path"]))
            await send(message)

        await self._app(scope, receive, send_guarded)


def cache_rule(path: str) -> str:
    """Answers are never kept; our own files are asked after each time (they carry an ETag); the chart library stays for an hour."""
    if path.startswith("/static/charts/"):
        return "public, max-age=3600"
    return "no-cache" if path.startswith("/static/") else "no-store"


class PlainErrors:
    """Turns the few errors that the framework answers in plain text before any of our handlers into problems like all others."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        replaced = False

        async def send_as_problem(message: Message) -> None:
            nonlocal replaced
            if message["type"] == "http.response.start" and _is_plain_error(message):
                replaced = True
                kind = HTTP_KINDS.get(message["status"], INTERNAL)
                await problem_response(kind, f"{scope['method']} {scope['path']}: {kind.title}", scope["path"])(scope, receive, send)
            elif not replaced:
                await send(message)

        await self._app(scope, receive, send_as_problem)


def _is_plain_error(message: Message) -> bool:
    return message["status"] >= 400 and Headers(raw=message["headers"]).get("content-type", "").startswith("text/plain")


class HostGate:
    """Answers only to known names, so that another site cannot point its own name at this address (DNS rebinding)."""

    def __init__(self, app: ASGIApp, hosts: tuple[str, ...]) -> None:
        self._app = app
        self._hosts = frozenset(host.lower() for host in hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http":
            name = host_name(Headers(scope=scope).get("host", ""))
            if name not in self._hosts:
                detail = f"Host is {name!r}; expected one of {', '.join(sorted(self._hosts))}"
                await problem_response(HOST_UNKNOWN, detail, scope["path"])(scope, receive, send)
                return
        await self._app(scope, receive, send)


def host_name(header: str) -> str:
    """Name in a Host header, lower case, without port; an IPv6 literal keeps its brackets."""
    end = header.find("]") + 1 if header.startswith("[") else header.find(":")
    return (header[:end] if end > 0 else header).lower()
