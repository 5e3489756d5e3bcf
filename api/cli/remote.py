"""Records from a station at an address, over its HTTP API."""

import os
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self
from urllib.parse import parse_qs, quote, urlsplit

import httpx

from api.cli.options import read_text
from api.cli.records import Document, Question
from station.errors import AccessDenied, NotFound, RestpointError, StationError, UsageError

TOKEN_VARIABLE: Final = "RESTPOINT_TOKEN"
TIME_LIMIT_S: Final = 10.0  # for connecting and for every answer; a page of 500 runs takes a fraction of a second
CONNECT_TRIES: Final = 2  # more tries to connect; every request here only reads, so that trying again does no harm


def read_token(file: Path | None) -> str:
    """The access token from a file, else from the environment; "" when there is none. Raises UsageError."""
    token = (read_text(file, "token file") if file else os.environ.get(TOKEN_VARIABLE, "")).strip()
    place = f"token file {file}" if file else TOKEN_VARIABLE
    if file and not token:
        raise UsageError(f"{place}: is empty; expected an access token")
    if not token.isascii() or not token.isprintable() or " " in token:
        raise UsageError(f"{place}: holds more than one word of printable ASCII; expected an access token alone")
    return token


class RemoteRecords:
    """Raises UsageError for an address that is none, StationError when the station cannot be reached or answers in another language."""

    def __init__(self, server: str, token: str, transport: httpx.BaseTransport | None = None) -> None:
        self.server = _checked(server)
        headers = {"Accept": "application/json", **({"Authorization": f"Bearer {token}"} if token else {})}
        self.client = httpx.Client(
            base_url=self.server, headers=headers, timeout=TIME_LIMIT_S, transport=transport or httpx.HTTPTransport(retries=CONNECT_TRIES)
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None) -> None:
        self.client.close()

    def page(self, what: str, question: Question, after: str | None, limit: int) -> tuple[list[Document], str | None]:
        answer = self._get(f"/v1/{what}", {**question, "limit": str(limit), **({"after": after} if after else {})})
        return list(answer[what]), _cursor(answer["next"])

    def run(self, number: int) -> Document:
        return self._get(f"/v1/runs/{number}", {})

    def unit(self, serial: str) -> Document:
        return self._get(f"/v1/units/{quote(serial, safe='')}", {})

    def rigs(self) -> list[Document]:
        return list(self._get("/v1/rigs", {})["rigs"])

    def rig(self, name: str) -> Document:
        return self._get(f"/v1/rigs/{quote(name, safe='')}", {})

    def ask(self, rig: str, verb: str, body: Document | None) -> Document:
        """Ask something of a rig; never tried twice."""
        return self._answer("POST", f"/v1/rigs/{quote(rig, safe='')}/{verb}", {}, body)

    def _get(self, path: str, question: Question) -> Document:
        return self._answer("GET", path, question, None)

    def _file(self, path: str, kind: str) -> bytes:
        """A file of a media type."""
        response = self._send("GET", path, {}, None)
        if response.is_success and response.headers.get("Content-Type") == kind:
            return response.content
        raise self._refused(response, self._document(response))

    def _answer(self, method: str, path: str, question: Question, body: Document | None) -> Document:
        response = self._send(method, path, question, body)
        document = self._document(response)
        if response.is_success:
            return document
        raise self._refused(response, document)

    def _send(self, method: str, path: str, question: Question, body: Document | None) -> httpx.Response:
        try:
            return self.client.request(method, path, params=dict(question), json=body)
        except httpx.HTTPError as problem:
            raise StationError(f"station {self.server}: {problem or type(problem).__name__}; expected an answer to {path}") from problem

    def _refused(self, response: httpx.Response, document: Document) -> RestpointError:
        detail = str(document.get("detail") or document.get("title") or f"status {response.status_code}")
        return _refusal(response.status_code)(f"station {self.server}: {detail}")

    def _document(self, response: httpx.Response) -> Document:
        kind = response.headers.get("Content-Type", "nothing")
        if "json" in kind:
            try:
                document: Any = response.json()
            except ValueError as problem:
                raise StationError(f"station {self.server}: the answer is no JSON ({problem}); expected a Restpoint station") from problem
            if isinstance(document, dict):
                return document
        raise StationError(f"station {self.server}: answered {response.status_code} with {kind}; expected a Restpoint station's JSON")


def _refusal(status: int) -> type[RestpointError]:
    return {401: AccessDenied, 403: AccessDenied, 404: NotFound, 422: UsageError}.get(status, StationError)


def _checked(server: str) -> str:
    try:
        url = httpx.URL(server)
    except httpx.InvalidURL as problem:
        raise UsageError(f"--server is {server!r} ({problem}); expected an address as http://HOST:PORT") from problem
    if url.scheme not in ("http", "https") or not url.host:
        raise UsageError(f"--server is {server!r}; expected an address as http://HOST:PORT")
    return server.rstrip("/")


def _cursor(address: str | None) -> str | None:
    """The `after` of the next page's address."""
    return None if address is None else parse_qs(urlsplit(address).query)["after"][0]
