"""Conditional requests (RFC 9110, section 13): a strong entity tag made from marks of what an answer rests on, never from the answer.

A tag holds the address with its question, the form, the software and the mark (db.queries.changes). It is taken before the answer is
made, so that a change meanwhile costs one more transfer and never hides anything.
"""

import hashlib
import re
from typing import Annotated, Final

from fastapi import Depends, FastAPI, Request, Response

from api.http.depends import TheQueries, TheSettings
from api.http.formats import Form
from db.queries.changes import ChangeQueries, Mark

DIGITS: Final = 32  # of SHA-256: 128 bits, no two alike by chance
_TAG: Final = re.compile(r'(?:W/)?("[^"]*")')


class Unchanged(Exception):
    """The client has the answer already."""

    def __init__(self, tag: str) -> None:
        super().__init__(tag)
        self.tag = tag


class Tags:
    """Gives answers their tag, or says that the client has them."""

    def __init__(self, request: Request, response: Response, changes: ChangeQueries, version: str) -> None:
        self.changes = changes
        self._request = request
        self._response = response
        self._version = version

    def heed(self, mark: Mark, form: Form = Form.JSON) -> dict[str, str]:
        """Set the headers of a conditional answer, and give them for one that is made by hand. Raises Unchanged."""
        asked = sorted(self._request.query_params.multi_items())
        tag = tag_of(self._version, self._request.url.path, asked, form.value, mark)
        if holds(self._request.headers.get("if-none-match", ""), tag):
            raise Unchanged(tag)
        headers = headers_of(tag)
        self._response.headers.update(headers)
        return headers


def tag_of(*parts: object) -> str:
    """A strong tag of all that tells one answer from another."""
    return f'"{hashlib.sha256(repr(parts).encode("utf-8", "backslashreplace")).hexdigest()[:DIGITS]}"'


def holds(header: str, tag: str) -> bool:
    """Whether an If-None-Match header names the tag, compared weakly as RFC 9110, 13.1.2 wants it."""
    return header.strip() == "*" or tag in _TAG.findall(header)


def headers_of(tag: str) -> dict[str, str]:
    """Keep it, but ask each time whether it still holds."""
    return {"ETag": tag, "Cache-Control": "no-cache", "Vary": "Accept"}


def install(app: FastAPI) -> None:
    """Answer Unchanged with 304."""
    app.add_exception_handler(Unchanged, _not_modified)


def _not_modified(_: Request, unchanged: Exception) -> Response:
    assert isinstance(unchanged, Unchanged)
    return Response(status_code=304, headers=headers_of(unchanged.tag))


def _tags(request: Request, response: Response, queries: TheQueries, settings: TheSettings) -> Tags:
    return Tags(request, response, ChangeQueries(queries.database), settings.version)


TheTags = Annotated[Tags, Depends(_tags)]
