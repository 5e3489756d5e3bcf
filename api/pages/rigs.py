"""The live page of one rig."""

from fastapi import APIRouter, Request, Response

from api.http.depends import TheDesk, TheQueries, TheSettings
from api.pages.render import page
from api.pages.words import CAUTIONS, REASONS, reasons_shown
from db.queries import Queries
from station.specification import parse_specification

router = APIRouter()


@router.get("/rigs/{name}")
def rig_page(name: str, request: Request, desk: TheDesk, queries: TheQueries, settings: TheSettings) -> Response:
    """What is clamped, progress, traces, verdict; scan, start, halt, reset."""
    view = desk.rig(name)
    return page(
        request,
        "rig.html",
        rig=view,
        reasons=reasons_shown(view.reasons),
        reason_words=dict(REASONS),
        cautions=(*CAUTIONS, *settings.cautions),
        products=sorted({row.name for row in queries.specifications()}),
        zones_counts=neutral_zones_counts(queries),
        serial_pattern=settings.serial_pattern,
        proves=request.app.state.proof is not None,
    )


def neutral_zones_counts(queries: Queries) -> dict[str, float]:
    """Half width of the neutral zone by product, from the newest revision of each specification."""
    newest = {row.name: row for row in reversed(queries.specifications())}
    texts = {name: queries.specification_text(name, row.revision) for name, row in newest.items()}
    return {name: parse_specification(text).host.neutral_zone_counts for name, text in texts.items()}
