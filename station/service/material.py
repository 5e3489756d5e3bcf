"""What a computation on a stored run needs, gathered from the book: facts, specification, recordings, the lot's estimate."""

from collections.abc import Mapping
from typing import Any, Protocol

from station.errors import NotFound
from station.records import Recording
from station.rework import EstimateRow, LotKey, RunFacts
from station.service.reckoning import Reckoning
from station.specification import Specification, parse_specification


class Kept(Protocol):
    """The reading half of the book."""

    def facts(self, number: int) -> RunFacts: ...

    def recording(self, number: int, stick: str) -> Recording: ...

    def estimate(self, key: LotKey) -> EstimateRow | None: ...


def material(kept: Kept, number: int) -> tuple[RunFacts, Specification]:
    """A closed run and the specification it was judged by. Raises NotFound."""
    facts = kept.facts(number)
    return facts, parse_specification(facts.specification)


def recordings(kept: Kept, facts: RunFacts) -> dict[str, Recording]:
    """By stick. Raises NotFound when no trace of the run is kept, StoreError when one is damaged."""
    found = {stick: kept.recording(facts.number, stick) for stick in facts.traces}
    if not found:
        raise NotFound(f"run {facts.number} has no trace kept to advise from; test the unit again")
    return found


def estimates_of(kept: Kept, facts: RunFacts) -> list[EstimateRow]:
    """The newest estimates of the unit's lot and of its product, those that there are."""
    lots = (facts.unit.lot, None) if facts.unit.lot else (None,)
    found = [kept.estimate(LotKey(facts.unit.product, lot, facts.emulated)) for lot in lots]
    return [one for one in found if one is not None]


def advise_on(kept: Kept, reckon: Reckoning, number: int) -> tuple[RunFacts, Mapping[str, Mapping[str, Any]]]:
    """Advice on a stored run, computed now: what it is about, and a document by stick. Raises NotFound, StoreError."""
    facts, spec = material(kept, number)
    return facts, reckon.advise(facts, recordings(kept, facts), spec, estimates_of(kept, facts))
