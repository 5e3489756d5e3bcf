"""The rework loop's needs: a book in which orders stand, and what the doors may ask for. Every verb of the book is one transaction."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Protocol

from station.records import Recording, UnitIdentity
from station.rework import Checked, EstimateRow, Followed, Job, LotKey, LotNews, Outcome, Part, RunFacts, State


@dataclass(frozen=True, slots=True)
class Pads:
    """Names of two pads: where the axis signal is, and its ground."""

    signal: str
    ground: str


@dataclass(frozen=True, slots=True)
class PadMap:
    """Where parts go on a product: a picture, and the pads by stick and axis."""

    product: str
    svg: str
    pads: Mapping[str, Mapping[str, Pads]] = field(default_factory=dict)


class KeptAdvice(Protocol):
    """Advice documents of one run, by stick."""

    @property
    def unit(self) -> UnitIdentity: ...

    @property
    def sticks(self) -> Mapping[str, Mapping[str, Any]]: ...


class ReworkBook(Protocol):
    """What the adviser needs. Any verb may be repeated with one effect. Raises StoreError."""

    def unfollowed(self) -> Sequence[int]:
        """Closed runs of this station whose meaning for rework is not settled yet, oldest first."""
        ...

    def follow(self, run_number: int, tries_max: int, at: datetime) -> Followed:
        """Settle what a closed run means: it may open an order, be a retest, or leave an order as it is. Raises NotFound."""
        ...

    def jobs(self) -> Sequence[Job]:
        """What is still to be computed from this station's runs, checks of retests first."""
        ...

    def facts(self, number: int) -> RunFacts:
        """Of a closed run. Raises NotFound."""
        ...

    def recording(self, number: int, stick: str) -> Recording:
        """Raises NotFound when no trace was kept, StoreError when it is damaged."""
        ...

    def keep_advice(
        self, job: Job, documents: Mapping[str, Mapping[str, Any]], steps: Sequence[Mapping[str, Any]], by: str, at: datetime
    ) -> None:
        """Documents by stick, and what the technician is to do. by: the program that made them."""
        ...

    def advice_failed(self, job: Job, sentence: str, at: datetime) -> None: ...

    def keep_check(self, job: Job, checked: Checked, at: datetime) -> Outcome:
        """The finding of a retest; closes the order, scraps it, or begins its next try."""
        ...

    def lots_to_learn(self) -> Sequence[LotNews]:
        """Lots with entries of the ledger that no estimate knows."""
        ...

    def lessons(self, key: LotKey) -> Sequence[Mapping[str, Any]]:
        """Comparisons of a lot, oldest first, as they were kept."""
        ...

    def estimate(self, key: LotKey) -> EstimateRow | None:
        """The newest version of a lot's, or of a product's, None when there is none."""
        ...

    def keep_estimate(self, estimate: EstimateRow, last_entry: int) -> int:
        """Keep the next version (the given number is not looked at), unless the newest is the same or knows that entry. Its number."""
        ...

    def advice(self, number: int) -> KeptAdvice | None:
        """Advice of a run as kept, None when none was. Raises StoreError when it is damaged."""
        ...

    def keep_documents(self, run_number: int, documents: Mapping[str, Mapping[str, Any]], by: str, at: datetime) -> None:
        """Keep advice on a run that no order asked for, unless some is kept."""
        ...

    def newest_specification(self, product: str) -> str:
        """TOML text of the revision kept last. Raises NotFound."""
        ...

    def units_of_lot(self, product: str, lot: str) -> int:
        """How many different units of a stick lot were decided."""
        ...

    def runs_of_lot(self, product: str, lot: str, most: int) -> Sequence[int]:
        """Newest run of each unit of a stick lot that was decided and whose trace is kept, newest first."""
        ...

    def fit(self, order_number: int, part: Part, by: str, at: datetime) -> bool:
        """Record a part in the order's try and in the unit. False when the try has this very part already. Raises NotFound, NotReady."""
        ...

    def end_order(self, order_number: int, state: State, by: str, cause: str, at: datetime) -> None:
        """Scrap or withdraw. Raises NotFound, NotReady when it has ended."""
        ...


class ReworkDesk(Protocol):
    """What the doors may ask. Raises NotFound, NotReady, UsageError, StoreError."""

    def fit(self, order: int, stick: str, axis: str, part: str, operator: str) -> bool:
        """Record what was fitted, part as written or scanned. False when the try has this very part already."""
        ...

    def scrap(self, order: int, operator: str, cause: str) -> None: ...

    def withdraw(self, order: int, operator: str, cause: str) -> None: ...

    def pad_map(self, product: str) -> PadMap:
        """Raises NotFound."""
        ...

    def advise(self, run: int) -> tuple[RunFacts, Mapping[str, Mapping[str, Any]]]:
        """Advice on a stored run, computed now: what it is about, and a document by stick. Keeps nothing."""
        ...

    def lot_advice(self, product: str, lot: str) -> Mapping[str, Any]:
        """Which single part would make the largest share of a stick lot pass: JSON-ready. Raises NotFound when nothing of it is kept."""
        ...
