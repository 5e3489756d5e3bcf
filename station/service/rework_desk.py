"""Where technicians record what was done. Reads what they typed or scanned, and tells whoever watches."""

from collections.abc import Callable, Mapping
from threading import Lock
from typing import Any

from station.axis.markings import parse_capacitance, pretty
from station.errors import NotFound, NotReady, UsageError
from station.ports import Clock
from station.ports.rework import PadMap, ReworkBook
from station.quantities import AXES
from station.rework import Part, RunFacts, State
from station.service.lots import lot_view
from station.service.material import advise_on
from station.service.reckoning import Reckoning

Say = Callable[[int, str], None]


class OrderDesk:
    """Implements station.ports.rework.ReworkDesk.

    say: called with an order's number and one sentence after each change. reckon: for advice computed now.
    """

    def __init__(self, book: ReworkBook, clock: Clock, pads: Mapping[str, PadMap], say: Say, reckon: Reckoning | None = None) -> None:
        self._book = book
        self._clock = clock
        self._pads = pads
        self._reckon = reckon
        self._say = say
        self._one_lot = Lock()

    def fit(self, order: int, stick: str, axis: str, part: str, operator: str) -> bool:
        if axis not in AXES:
            raise UsageError(f"axis is {axis!r}; expected x or y")
        farads = parse_capacitance(part).capacitance_f
        by = _named("operator", operator)
        new = self._book.fit(order, Part(stick, axis, farads, part.strip()), by, self._clock.utc())
        if new:
            self._say(order, f"Order {order}: {by} recorded {pretty(farads)} on {stick} {axis}. Test the unit again.")
        return new

    def scrap(self, order: int, operator: str, cause: str) -> None:
        self._end(order, State.SCRAPPED, operator, cause)

    def withdraw(self, order: int, operator: str, cause: str) -> None:
        self._end(order, State.WITHDRAWN, operator, cause)

    def pad_map(self, product: str) -> PadMap:
        found = self._pads.get(product)
        if found is None:
            raise NotFound(f"product {product!r} has no pad map here; expected one of: {', '.join(sorted(self._pads)) or 'none'}")
        return found

    def advise(self, run: int) -> tuple[RunFacts, Mapping[str, Mapping[str, Any]]]:
        return advise_on(self._book, self._reckoning(), run)

    def lot_advice(self, product: str, lot: str) -> Mapping[str, Any]:
        with self._one_lot:  # two at the same moment would compute the same
            return lot_view(self._book, self._reckoning(), self._clock, product, lot)

    def _reckoning(self) -> Reckoning:
        if self._reckon is None:
            raise NotReady("this desk only records; ask a running station for advice")
        return self._reckon

    def _end(self, order: int, state: State, operator: str, cause: str) -> None:
        by, why = _named("operator", operator), _named("cause", cause)
        self._book.end_order(order, state, by, why, self._clock.utc())
        self._say(order, f"Order {order} was {state} by {by}: {why}")


def _named(what: str, text: str) -> str:
    if not text.strip():
        raise UsageError(f"{what} is missing; expected who does this, and why")
    return text.strip()
