"""What the API answers about yield, failed units and a unit's whole history, as pydantic models."""

from typing import Self
from urllib.parse import quote

from pydantic import BaseModel, ConfigDict, Field

from api.http.bodies import UnitDetailBody
from api.http.bodies_rework import AdviceBody, OrderBody
from api.http.instants import Instant
from station.yields import FailedUnit, Split


class _Body(BaseModel):
    model_config = ConfigDict(from_attributes=True)


class AskedBody(_Body):
    """What a report was asked; "" and null ask for all."""

    first_day: str | None
    last_day: str | None
    product: str
    specification: str
    lot: str
    rig: str
    operator: str
    station: str
    emulated: bool
    split: Split


class ShareBody(_Body):
    """count of `of`; value with its two-sided 95 % interval (Clopper and Pearson), null when of is 0."""

    count: int
    of: int
    value: float | None
    low: float | None
    high: float | None


class YieldRowBody(_Body):
    """One row, or the total (label ""). links: by figure, the query of `/v1/yield/runs` and of the page `/runs` for the runs behind it."""

    label: str
    units: int
    first_pass: ShareBody
    final: ShareBody
    rolled: float | None
    rolled_low: float | None
    rolled_high: float | None
    runs: int
    decided: int
    undecided: int
    invalid: int
    retests: int
    scrapped: int
    links: dict[str, str]


class CauseBody(_Body):
    """A line of the ranking of causes. part: group, axis or "". link: as of a row."""

    code: str
    part: str
    lot: str
    runs: int
    units: int
    share: float
    cumulative: float
    link: str


class CapabilityBody(_Body):
    """Capability of one figure; lot "": all of them. low, high: bounds of cpk. null where it cannot be said."""

    product: str
    lot: str
    figure: str
    unit: str
    count: int
    mean: float | None
    sd: float | None
    lower: float | None
    upper: float | None
    cpk: float | None
    low: float | None
    high: float | None


class ReworkLoopBody(_Body):
    """Orders begun among the runs asked for. tries: of the closed ones, orders by their number of tries."""

    begun: int
    active: int
    closed: int
    scrapped: int
    withdrawn: int
    tries: dict[str, int]


class YieldBody(_Body):
    """A yield report. made_at: when what is kept last changed. emulated_runs: counted apart, when real ones were asked."""

    format: str
    asked: AskedBody
    station: str
    zone: str
    made_at: Instant
    total: YieldRowBody
    rows: list[YieldRowBody]
    causes: list[CauseBody]
    capability: list[CapabilityBody]
    rework: ReworkLoopBody
    emulated_runs: int


class FailedUnitBody(_Body):
    """A unit whose newest decided run failed. order: its newest rework order, 0 without one."""

    serial: str
    product: str
    lot: str
    run: int
    ended_at: Instant
    station: str
    rig: str
    specification: str
    reasons: list[str]
    order: int
    order_state: str


class FailedPage(BaseModel):
    """Newest first. `next`: address of the next page, null at the end; also in the Link header."""

    units: list[FailedUnitBody]
    next: str | None

    @classmethod
    def of(cls, items: tuple[FailedUnit, ...], address: str | None) -> Self:
        """Body of a page."""
        return cls(units=[FailedUnitBody.model_validate(row) for row in items], next=address)


class TraceLinks(BaseModel):
    """A kept trace. Addresses: as JSON drawn from, as CSV that `restpoint score` reads, as codes of the sampler."""

    run: int
    stick: str
    samples: int
    json_: str = Field(serialization_alias="json")
    csv: str
    raw: str

    @classmethod
    def of(cls, run: int, stick: str, samples: int) -> Self:
        """Links of a trace."""
        address = f"/v1/runs/{run}/trace?stick={quote(stick, safe='')}&format="
        return cls(run=run, stick=stick, samples=samples, json_=f"{address}json", csv=f"{address}csv", raw=f"{address}raw")


class UnitHistoryBody(UnitDetailBody):
    """Everything that is known of a unit. orders: newest first. advice: the newest, null when none was made. report: as PDF."""

    orders: list[OrderBody]
    advice: AdviceBody | None
    traces: list[TraceLinks]
    report: str
