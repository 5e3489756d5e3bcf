"""The OpenAPI document, put right where the framework writes down its own error shapes."""

from typing import Any, Final

from api.http.problems import MEDIA_TYPE

FRAMEWORK_SCHEMAS: Final = ("HTTPValidationError", "ValidationError")


def with_problems(document: dict[str, Any]) -> dict[str, Any]:
    """The same document, changed in place: validation errors are problems like all others, and problems have their media type."""
    for item in document["paths"].values():
        for operation in item.values():
            answers = operation["responses"]
            answers.pop("422", None)
            answers["default"]["content"] = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
    schemas = document["components"]["schemas"]
    for name in FRAMEWORK_SCHEMAS:
        schemas.pop(name, None)
    return document
