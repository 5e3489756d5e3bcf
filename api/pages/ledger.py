"""The ledger: what was predicted of each retest, what it measured, and what that taught of each lot."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Final

from fastapi import APIRouter, Query, Request, Response

from api.http import links
from api.http.rework import TheOrders
from api.pages.render import page
from db.rows_rework import LedgerFilter, LedgerRow
from station.judge.learning_estimate import METHOD, USABLE_FROM
from station.rework import EstimateRow, LotKey

router = APIRouter()

ENTRIES_PER_PAGE: Final = 50
SPAN_COUNTS: Final = 4.0  # shown of residuals either way; larger ones stand at the edge

Text = Annotated[str, Query(max_length=64)]
After = Annotated[str | None, Query(max_length=20)]

FINDINGS: Final = {
    "as-recorded": "acts as recorded",
    "not-acting": "does not act",
    "other-value": "another value acts",
    "changed-stick": "the stick has changed",
    "unexplained": "no explanation fits",
    "cannot-tell": "cannot be told",
    "not-measured": "not measured",
}
"""Short words for the finding of a retest; its sentence stands on the order."""


@dataclass(frozen=True, slots=True)
class LotLesson:
    """The newest estimate of a lot, or of a product, and how many versions there were before it."""

    newest: EstimateRow
    earlier: tuple[EstimateRow, ...]


@router.get("/rework/ledger")
def ledger_page(request: Request, orders: TheOrders, product: Text = "", lot: Text = "", after: After = None) -> Response:
    """Predicted, measured, residual, by product and lot; and the estimates they make."""
    found = orders.ledger(LedgerFilter(product or None, lot or None), after, ENTRIES_PER_PAGE)
    lessons = lessons_of(orders.estimates(product or None, lot or None))
    return page(
        request,
        "ledger.html",
        entries=[(row, place_of(row)) for row in found.items],
        lessons=lessons,
        findings=FINDINGS,
        asked={"product": product, "lot": lot},
        following=links.following(request, found.next),
        usable_from=USABLE_FROM,
        method=METHOD,
        span_counts=SPAN_COUNTS,
    )


def lessons_of(estimates: Sequence[EstimateRow]) -> list[LotLesson]:
    """By lot, in the order given, newest version first."""
    found: dict[LotKey, list[EstimateRow]] = {}
    for one in estimates:
        found.setdefault(one.key, []).append(one)
    return [LotLesson(versions[0], tuple(versions[1:])) for versions in found.values()]


def place_of(row: LedgerRow) -> float | None:
    """Where the residual's mark stands on a scale from 0 to 100; None when it is not known."""
    residual = row.residual_counts
    return None if residual is None else 50.0 + 50.0 * max(-1.0, min(1.0, residual / SPAN_COUNTS))
