"""Specifications: revisions as they were kept, never edited."""

from fastapi import APIRouter, Response

from api.http.bodies import SpecificationBody, SpecificationList
from api.http.depends import TheQueries

router = APIRouter(prefix="/v1/specifications", tags=["specifications"])


@router.get("")
def list_specifications(queries: TheQueries) -> SpecificationList:
    """All revisions, by name, newest first."""
    return SpecificationList(specifications=[SpecificationBody.model_validate(row) for row in queries.specifications()])


@router.get(
    "/{name}/{revision}", response_class=Response, responses={200: {"content": {"application/toml": {"schema": {"type": "string"}}}}}
)
def specification_text(name: str, revision: str, queries: TheQueries) -> Response:
    """The TOML text of a revision."""
    return Response(queries.specification_text(name, revision), media_type="application/toml")
