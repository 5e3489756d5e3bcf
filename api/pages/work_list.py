"""What each rework order waits for, and what is to be soldered today. Pure: from rows of the database to what the page shows."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from api.pages.show import farads
from db.rows_rework import OrderDetail, OrderRow, TryRow
from station.axis.markings import marking_of
from station.rework import Computed, State

SOLDER, RETEST, PERSON, WAIT = "solder", "retest", "person", "wait"

HEADS: Final[Mapping[str, str]] = {
    SOLDER: "To solder",
    RETEST: "To test again",
    PERSON: "To be decided by a person",
    WAIT: "Being worked out",
}
"""Stages of an order that is not ended, in the order of the page, with the heading of each."""

STATE_WORDS: Final[Mapping[str, str]] = {
    State.OPEN: "open: nothing is recorded as fitted yet",
    State.FITTED: "fitted: the unit is to be tested again",
    State.RETESTED: "tested again: the retest is being checked",
    State.CLOSED: "closed: the retest passed",
    State.SCRAPPED: "scrapped for its stick module",
    State.WITHDRAWN: "withdrawn",
}
OUTCOME_WORDS: Final[Mapping[str, str]] = {
    "": "going on",
    "passed": "passed",
    "goes-on": "failed, a further try follows",
    "scrapped": "failed, the limit on tries is reached",
    "ended": "ended by a person",
}
NONE_WILL_DO: Final = "none-will-do"


@dataclass(frozen=True, slots=True)
class WorkItem:
    """One order on the work list. stage: one of HEADS. steps: what is to be done now, JSON-ready. sentence: what it waits for."""

    order: OrderRow
    stage: str
    sentence: str
    steps: tuple[Mapping[str, Any], ...] = ()
    parts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Needed:
    """Parts to take out of the drawer. count: how many of them."""

    value: str
    marking: str
    count: int


@dataclass(slots=True)
class Place:
    """An axis of a stick on the form that records parts. advised_f: None when nothing is advised. recorded: as shown, or empty."""

    stick: str
    axis: str
    advised_f: float | None = None
    advised: str = ""
    marking: str = ""
    recorded: str = ""
    checked: bool = False

    @property
    def name(self) -> str:
        """Stick and axis, as findings name them."""
        return f"{self.stick} {self.axis}"


@dataclass(frozen=True, slots=True)
class PickPart:
    """A part that can be picked instead of scanned. marking: what is sent."""

    marking: str
    value: str
    farads: float = field(compare=False)


def item_of(detail: OrderDetail) -> WorkItem:
    """Where an order that is not ended stands."""
    order, newest = detail.order, detail.tries[-1]
    parts = tuple(part_words(newest))
    if order.state == State.RETESTED:
        return WorkItem(order, WAIT, f"Retest run {newest.retest_run} is being checked.", parts=parts)
    if order.state == State.FITTED:
        return _fitted(order, newest, parts)
    return _open(order, newest)


def _fitted(order: OrderRow, newest: TryRow, parts: tuple[str, ...]) -> WorkItem:
    recorded = {(one.part.stick, one.part.axis) for one in newest.parts}
    left = tuple(step for step in newest.steps if step["solder"] and (step["stick"], step["axis"]) not in recorded)
    if left and not _hopeless(newest):
        return WorkItem(order, SOLDER, "One part is recorded, one is still to be fitted.", left, parts)
    return WorkItem(order, RETEST, "Close the unit, put it into the rig, scan it and press start.", (), parts)


def _open(order: OrderRow, newest: TryRow) -> WorkItem:
    if newest.advice == Computed.FAILED:
        return WorkItem(order, PERSON, newest.advice_sentence)
    if newest.advice != Computed.MADE:
        return WorkItem(order, WAIT, f"Advice from run {newest.advice_run} is being made.")
    if _hopeless(newest):
        steps = tuple(step for step in newest.steps if step.get("action") == NONE_WILL_DO)
        return WorkItem(order, PERSON, "No part will do: scrap the unit for its stick module, or put right what stands in the way.", steps)
    solder = tuple(step for step in newest.steps if step["solder"])
    if solder:
        return WorkItem(order, SOLDER, "", solder)
    return WorkItem(order, PERSON, "No part is advised: look at the reasons, then test again, withdraw or scrap.", newest.steps)


def _hopeless(newest: TryRow) -> bool:
    """Whether some axis has no part that would do, so that soldering on another one does not help."""
    return any(step.get("action") == NONE_WILL_DO for step in newest.steps)


def part_words(tried: TryRow) -> list[str]:
    """Parts recorded in a try."""
    return [f"{one.part.stick} {one.part.axis}: {farads(one.part.farads)}, by {one.by}" for one in tried.parts]


def by_stage(items: Iterable[WorkItem]) -> dict[str, list[WorkItem]]:
    """Items under the headings of the page; headings without items are left out."""
    found: dict[str, list[WorkItem]] = {stage: [] for stage in HEADS}
    for item in items:
        found[item.stage].append(item)
    return {stage: some for stage, some in found.items() if some}


def needed(items: Iterable[WorkItem]) -> list[Needed]:
    """Parts that all soldering of the list takes, smallest first."""
    steps = [step for item in items if item.stage == SOLDER for step in item.steps]
    counted = Counter(float(step["capacitance_f"]) for step in steps if step["capacitance_f"])
    return [Needed(farads(value_f), marking_of(value_f), count) for value_f, count in sorted(counted.items())]


def places(newest: TryRow, sticks: Sequence[str]) -> list[Place]:
    """Axes a part may be recorded on, the next one to solder checked. sticks: of the unit, for a try that has no steps."""
    named = [(step["stick"], step["axis"]) for step in newest.steps] or [(stick, axis) for stick in sticks for axis in "xy"]
    found = {place: Place(*place) for place in sorted(named)}
    for step in newest.steps:
        if step["capacitance_f"] is not None and step["solder"]:
            one = found[(step["stick"], step["axis"])]
            one.advised_f, one.advised, one.marking = step["capacitance_f"], farads(step["capacitance_f"]), step["marking"]
    for record in newest.parts:
        place = (record.part.stick, record.part.axis)
        found.setdefault(place, Place(*place)).recorded = farads(record.part.farads)
    order = sorted(found.values(), key=lambda one: (bool(one.recorded), one.advised_f is None, one.name))
    if order:
        order[0].checked = True
    return list(found.values())


def picks(stock_f: Sequence[float]) -> list[PickPart]:
    """Every part in stock, and none."""
    return [PickPart(marking_of(value_f), farads(value_f), value_f) for value_f in (0.0, *sorted(stock_f))]
