"""The lot view: advice on the sticks of a lot that can be looked at, put together to one answer."""

from collections.abc import Mapping
from typing import Any, Final

from station.errors import NotFound
from station.judge.lot import lot_advice, lot_entries
from station.ports import Clock
from station.ports.rework import ReworkBook
from station.service.material import advise_on
from station.service.reckoning import Reckoning
from station.specification import parse_specification

UNITS_MOST: Final = 60  # newest units looked at: about 20 s when none was advised on before, and an interval of at most +-13 % on a share
SOFTWARE: Final = "lot view"


def lot_view(book: ReworkBook, reckon: Reckoning, clock: Clock, product: str, lot: str) -> dict[str, Any]:
    """The answer of station.judge.lot.lot_advice with what it rests on. Advice made for it is kept, so that it is made once.

    Raises NotFound when no unit of the lot was decided, or no trace of one is kept.
    """
    spec = parse_specification(book.newest_specification(product))
    tested, runs = book.units_of_lot(product, lot), book.runs_of_lot(product, lot, UNITS_MOST)
    if not runs:
        known = f"{tested} units were tested, but no trace is kept" if tested else "no unit of it has passed or failed yet"
        raise NotFound(f"lot {lot!r} of product {product!r}: {known}")
    entries = []
    for number in runs:
        serial, documents = _advice(book, reckon, clock, number)
        entries += [entry for stick, document in documents.items() for entry in lot_entries(serial, document, stick)]
    rests_on = {"product": product, "lot": lot, "units_tested": tested, "units_looked_at": len(runs), "runs": list(runs)}
    return {**lot_advice(entries, spec), "rests_on": {**rests_on, "in_words": _words(tested, len(runs))}}


def _advice(book: ReworkBook, reckon: Reckoning, clock: Clock, number: int) -> tuple[str, Mapping[str, Mapping[str, Any]]]:
    kept = book.advice(number)
    if kept is not None:
        return kept.unit.serial, kept.sticks
    facts, documents = advise_on(book, reckon, number)
    book.keep_documents(number, documents, SOFTWARE, clock.utc())
    return facts.unit.serial, documents


def _words(tested: int, seen: int) -> str:
    if seen == tested:
        return f"All {tested} tested units of the lot were looked at."
    return (
        f"{seen} of {tested} tested units were looked at: the newest whose traces are kept. Of passed units few traces are kept, so that "
        "the share that passes, above all without a part, is larger in the lot than shown."
    )
