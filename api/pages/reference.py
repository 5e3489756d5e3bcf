"""Pages about the API itself: its routes from its own OpenAPI document, and every problem that an answer may name. No outside host."""

from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request, Response

from api.http.problems import ALL_KINDS
from api.pages.render import page
from station.errors import NotFound

router = APIRouter()


@dataclass(frozen=True, slots=True)
class Operation:
    """One route as shown: parameters as (name, where, type, required, description), answers as (status, what)."""

    method: str
    path: str
    summary: str
    parameters: tuple[tuple[str, str, str, bool, str], ...]
    body: str
    answers: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Schema:
    """One named body: fields as (name, type, required, description)."""

    name: str
    description: str
    fields: tuple[tuple[str, str, bool, str], ...]


@router.get("/docs/api")
def api_page(request: Request) -> Response:
    """The API, readable without any script."""
    document = request.app.openapi()
    return page(request, "api.html", info=document["info"], operations=operations(document), schemas=schemas(document))


@router.get("/problems")
def problems_page(request: Request) -> Response:
    """All problems."""
    return page(request, "problems.html", kinds=sorted(ALL_KINDS.values(), key=lambda kind: kind.code))


@router.get("/problems/{code}")
def problem_page(code: str, request: Request) -> Response:
    """One problem: the page that a problem's `type` names."""
    if code not in ALL_KINDS:
        raise NotFound(f"problem is {code!r}; expected one of: {', '.join(sorted(ALL_KINDS))}")
    return page(request, "problems.html", kinds=[ALL_KINDS[code]])


def operations(document: dict[str, Any]) -> list[Operation]:
    """Routes of an OpenAPI document in its own order."""
    return [_operation(method, path, one) for path, item in document["paths"].items() for method, one in item.items()]


def schemas(document: dict[str, Any]) -> list[Schema]:
    """Named bodies of an OpenAPI document, by name."""
    found = document.get("components", {}).get("schemas", {})
    return [_schema(name, found[name]) for name in sorted(found)]


def type_of(schema: dict[str, Any]) -> str:
    """A JSON schema in a few words: `integer`, `list of RunBody`, `text or null`."""
    if "$ref" in schema:
        return str(schema["$ref"]).rpartition("/")[2]
    if "anyOf" in schema:
        return " or ".join(type_of(one) for one in schema["anyOf"])
    if "enum" in schema:
        return "one of " + ", ".join(str(one) for one in schema["enum"])
    if schema.get("type") == "array":
        return f"list of {type_of(schema.get('items', {}))}"
    kind = str(schema.get("type", "any"))
    return {"string": "text", "object": "mapping"}.get(kind, kind) + (f" ({schema['format']})" if "format" in schema else "")


def _operation(method: str, path: str, one: dict[str, Any]) -> Operation:
    body = one.get("requestBody", {}).get("content", {}).get("application/json", {}).get("schema")
    parameters = tuple(
        (item["name"], item["in"], type_of(item["schema"]), bool(item.get("required")), item.get("description", ""))
        for item in one.get("parameters", ())
    )
    answers = tuple((status, _answer(answer)) for status, answer in one["responses"].items())
    return Operation(
        method.upper(), path, one.get("description") or one.get("summary", ""), parameters, type_of(body) if body else "", answers
    )


def _answer(answer: dict[str, Any]) -> str:
    kinds = [
        f"{kind}: {type_of(content['schema'])}" if "schema" in content else kind for kind, content in answer.get("content", {}).items()
    ]
    return f"{answer.get('description', '')} {'; '.join(kinds)}".strip()


def _schema(name: str, schema: dict[str, Any]) -> Schema:
    required = schema.get("required", ())
    fields = tuple((key, type_of(one), key in required, one.get("description", "")) for key, one in schema.get("properties", {}).items())
    return Schema(name, schema.get("description", ""), fields)
