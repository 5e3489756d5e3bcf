"""In which form an answer is given: by `format`, else by the Accept header (exact types), and what a file is called."""

from collections.abc import Mapping, Sequence
from enum import StrEnum
from typing import Any, Final
from urllib.parse import quote

from api.http.problems import NotAcceptable


class Form(StrEnum):
    """RAW: samples as the sampler gave them. LINES: one JSON document a line."""

    JSON = "json"
    CSV = "csv"
    XLSX = "xlsx"
    PDF = "pdf"
    LINES = "jsonl"
    RAW = "raw"


MEDIA_TYPES: Final[Mapping[Form, str]] = {
    Form.JSON: "application/json",
    Form.CSV: "text/csv; charset=utf-8; header=present",
    Form.XLSX: "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    Form.PDF: "application/pdf",
    Form.LINES: "application/x-ndjson",
    Form.RAW: "application/octet-stream",
}


def wanted(accept: str, asked: Form | None, offered: Sequence[Form]) -> Form:
    """The form of an answer, the first offered when anything will do. Raises NotAcceptable naming what there is."""
    if asked is not None and asked not in offered:
        raise NotAcceptable(f"format is {asked.value!r}; expected one of: {', '.join(offered)}")
    if asked is not None:
        return asked
    by_type = {_bare(MEDIA_TYPES[form]): form for form in reversed(offered)}
    wide = {f"{_bare(MEDIA_TYPES[form]).partition('/')[0]}/*": form for form in reversed(offered)}
    for one in accept.split(","):
        name, _, parameters = one.partition(";")
        kind = name.strip().lower()
        if parameters.replace(" ", "").startswith(("q=0;", "q=0.0")) or parameters.replace(" ", "") == "q=0":
            continue
        if kind in ("", "*/*"):
            return offered[0]
        if kind in by_type or kind in wide:
            return by_type.get(kind) or wide[kind]
    raise NotAcceptable(f"Accept is {accept!r}; expected one of: {', '.join(_bare(MEDIA_TYPES[form]) for form in offered)}")


def attachment(name: str) -> str:
    """Content-Disposition of a file (RFC 6266): plain ASCII for everyone, the whole name after RFC 8187 where it is another."""
    plain = "".join(one if one.isascii() and (one.isalnum() or one in "-_. ") else "_" for one in name)
    whole = "" if plain == name else f"; filename*=UTF-8''{quote(name, safe='')}"
    return f'attachment; filename="{plain}"{whole}'


def described(*forms: Form) -> dict[int | str, dict[str, Any]]:
    """For the OpenAPI document: what a route answers beside its model, and that it may say that nothing has changed."""
    schemas: dict[Form, dict[str, str]] = {form: {"type": "string", "format": "binary"} for form in (Form.PDF, Form.XLSX, Form.RAW)}
    schemas[Form.JSON] = {"type": "object"}
    content = {_bare(MEDIA_TYPES[form]): {"schema": schemas.get(form, {"type": "string"})} for form in forms}
    return {200: {"content": content}, 304: {"description": "What the client has still holds (If-None-Match)."}}


def _bare(media_type: str) -> str:
    return media_type.partition(";")[0]
