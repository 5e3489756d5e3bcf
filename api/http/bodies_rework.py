"""What the API answers about rework, and what it is told, as pydantic models."""

from collections.abc import Mapping
from typing import Any, Self

from pydantic import BaseModel, ConfigDict, Field

from api.http.bodies import UnitName
from api.http.instants import Instant
from db.rows_rework import OrderDetail, TryRow
from station.judge.advice_words import CAUTIONS


class _Body(BaseModel):
    model_config = ConfigDict(from_attributes=True)


class OrderBody(_Body):
    """A rework order in a list. state: open, fitted, retested, closed, scrapped or withdrawn.

    tries: number of the newest try, whose advice and check of the retest are waiting, pending, made or failed. note: last said of it.
    """

    order: int
    station: str
    unit: UnitName
    emulated: bool
    specification: str
    failing_run: int
    reasons: list[str]
    state: str
    tries: int
    tries_max: int
    advice: str
    advice_run: int
    retest_check: str
    note: str
    opened_at: Instant
    changed_at: Instant
    closed_at: Instant | None
    closed_by: str
    closing: str


class OrderPage(BaseModel):
    """What waits longest first while it is worked on, ended orders newest first. `next`: address of the next page, null at the end."""

    orders: list[OrderBody]
    next: str | None


class RecordedPart(BaseModel):
    """A part as recorded; capacitance_f 0.0: none. text: as typed or scanned."""

    stick: str
    axis: str
    capacitance_f: float
    text: str
    by: str
    at: Instant


class TryBody(BaseModel):
    """One try. steps: what to do on each axis of each stick. findings: what the retest shows, by "stick axis", with the likelihoods.

    outcome: passed, goes-on, scrapped or ended; empty while it goes on. *_sentence: why an advice or a check could not be made.
    """

    number: int
    advice_run: int
    advice: str
    advice_sentence: str
    advice_at: Instant | None
    steps: list[Mapping[str, Any]]
    parts: list[RecordedPart]
    retest_run: int | None
    retest_verdict: str | None
    retest_check: str
    check_sentence: str
    findings: Mapping[str, Mapping[str, Any]]
    outcome: str

    @classmethod
    def of(cls, row: TryRow) -> Self:
        """Body of a row."""
        same = {name: getattr(row, name) for name in cls.model_fields if name not in ("parts", "steps")}
        parts = [
            RecordedPart(stick=one.part.stick, axis=one.part.axis, capacitance_f=one.part.farads, text=one.part.text, by=one.by, at=one.at)
            for one in row.parts
        ]
        return cls(**same, steps=list(row.steps), parts=parts)


class OrderDetailBody(OrderBody):
    """An order whole. cautions: to be heeded before anyone solders. pad_map: address of the product's picture, if it was drawn."""

    all_tries: list[TryBody] = Field(description="oldest first")
    cautions: list[str]
    pad_map: str

    @classmethod
    def of(cls, detail: OrderDetail) -> Self:
        """Body of an order's rows."""
        head = OrderBody.model_validate(detail.order)
        same = {name: getattr(head, name) for name in OrderBody.model_fields}
        tries = [TryBody.of(one) for one in detail.tries]
        return cls(**same, all_tries=tries, cautions=list(CAUTIONS), pad_map=f"/v1/products/{detail.order.unit.product}/pad-map")


class FittedPart(BaseModel):
    """What was put in. part: as written, scanned or picked, such as 474, 0.47uF or none."""

    model_config = ConfigDict(extra="forbid")

    stick: str = Field("main", min_length=1, max_length=40)
    axis: str = Field(pattern="^[xy]$")
    part: str = Field(min_length=1, max_length=40)
    operator: str = Field("", max_length=60, description="who soldered; the name of the token when left out")


class Ending(BaseModel):
    """Who ends an order, and why."""

    model_config = ConfigDict(extra="forbid")

    cause: str = Field(min_length=1, max_length=400)
    operator: str = Field("", max_length=60, description="the name of the token when left out")


class LedgerEntryBody(_Body):
    """Prediction and outcome of one axis of a retest. residual_counts: measured less predicted mean peak. source: of the prediction."""

    entry: int
    order: int
    try_number: int
    unit: UnitName
    emulated: bool
    stick: str
    axis: str
    retest_run: int
    capacitance_f: float
    predicted_counts: float | None
    measured_counts: float | None
    residual_counts: float | None
    finding: str
    source: str
    document: Mapping[str, Any]
    at: Instant


class LedgerPage(BaseModel):
    """Newest first. `next` as for orders."""

    entries: list[LedgerEntryBody]
    next: str | None


class LotName(_Body):
    product: str
    lot: str | None
    emulated: bool


class EstimateBody(_Body):
    """A version of a lot's effective source resistance; lot null: of all lots of the product. used: whether advice goes by it.

    name: as advice names it. digest: of all it rests on. document: method and all figures.
    """

    key: LotName
    version: int
    name: str
    digest: str
    retests: int
    ohm: float
    tolerance: float
    used: bool
    document: Mapping[str, Any]
    made_at: Instant


class EstimateList(BaseModel):
    """By product and lot, newest version first."""

    estimates: list[EstimateBody]


class AdviceBody(BaseModel):
    """Advice documents by stick. made_at: when they were made and kept; null when they were computed for this answer."""

    run: int
    unit: UnitName
    made_at: Instant | None
    sticks: Mapping[str, Mapping[str, Any]]
