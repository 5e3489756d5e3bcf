"""Words of the rework loop: orders, their tries, and what a closed run means for the order of its unit. Pure.

open -> fitted -> retested -> closed                a part was recorded, the retest passed
                           -> open, a new try       it failed ("goes on")
                           -> scrapped              it failed, and the limit on tries is reached
open or fitted -> scrapped or withdrawn             a person decided so
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any, Final

from station.quantities import AXES
from station.records import Fitted, UnitIdentity, Verdict


class State(StrEnum):
    """Of an order."""

    OPEN = "open"
    FITTED = "fitted"
    RETESTED = "retested"
    CLOSED = "closed"
    SCRAPPED = "scrapped"
    WITHDRAWN = "withdrawn"


ACTIVE: Final = (State.OPEN, State.FITTED, State.RETESTED)


class Computed(StrEnum):
    """Of an advice or a check. WAITING: there is nothing to compute from yet."""

    WAITING = "waiting"
    PENDING = "pending"
    MADE = "made"
    FAILED = "failed"


class Outcome(StrEnum):
    """Of a try. NONE while it goes on."""

    NONE = ""
    PASSED = "passed"
    GOES_ON = "goes-on"
    SCRAPPED = "scrapped"
    ENDED = "ended"


class Meaning(StrEnum):
    """What a closed run means for the rework of its unit.

    WAITS: the retest before it is not checked yet, so that this cannot be said. NOTED: the order stays as it is, and says why.
    """

    NOTHING = "nothing"
    OPENS = "opens"
    REPEATS = "repeats"
    RETESTS = "retests"
    NOTED = "noted"
    WAITS = "waits"


@dataclass(frozen=True, slots=True)
class Part:
    """A capacitor on an axis of a stick (0.0: none), and what the technician wrote or scanned."""

    stick: str
    axis: str
    farads: float
    text: str = ""


@dataclass(frozen=True, slots=True)
class PartRecord:
    """A part as recorded in a try of an order."""

    part: Part
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class RunFacts:
    """What the rework loop must know of a closed run. fitted: by stick, as recorded when it ran. traces: sticks whose samples are kept.

    acting: the same by what was found since: a part that a retest found not to act, or to be of another value, counts as found.
    """

    number: int
    unit: UnitIdentity
    emulated: bool
    verdict: Verdict
    reasons: tuple[str, ...]
    specification: str  # TOML text
    fitted: Mapping[str, Fitted]
    acting: Mapping[str, Fitted]
    traces: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Followed:
    """What became of a run: its meaning, and the order it concerns, 0 if none."""

    meaning: Meaning
    order: int = 0
    sentence: str = ""


@dataclass(frozen=True, slots=True)
class Job:
    """Something to compute for a try of an order. kind: advice or check. run: whose trace. before: the run the try's advice is from."""

    kind: str
    order: int
    number: int
    run: int
    before: int = 0
    parts: tuple[Part, ...] = ()


@dataclass(frozen=True, slots=True)
class LotKey:
    """Whose sticks are alike. lot None: all lots of the product. What is emulated never teaches anything about real sticks."""

    product: str
    lot: str | None
    emulated: bool


@dataclass(frozen=True, slots=True)
class LotNews:
    """A lot, or a product, whose ledger has an entry that no estimate knows: its newest entry, and the retest it is from."""

    key: LotKey
    entry: int
    run: int


@dataclass(frozen=True, slots=True)
class Lesson:
    """One axis of a retest for the ledger. document: the comparison with all its figures, JSON-ready; the others are shown in lists."""

    stick: str
    axis: str
    farads: float
    predicted_counts: float | None
    measured_counts: float | None
    finding: str
    source: str
    document: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Checked:
    """What a retest's check found. sentence: why it could not be made, "" when it was. findings: by "stick axis", JSON-ready."""

    sentence: str
    findings: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    lessons: tuple[Lesson, ...] = ()


@dataclass(frozen=True, slots=True)
class EstimateRow:
    """A version of what the ledger says of a lot's effective source resistance.

    digest: of all it rests on; the same ledger gives the same. name: as advice names it. document: the whole estimate, JSON-ready.
    """

    key: LotKey
    version: int
    digest: str
    name: str
    retests: int
    ohm: float
    tolerance: float
    used: bool
    document: Mapping[str, Any]
    made_at: datetime


def acting_parts(fitted: Mapping[str, Fitted], findings: Mapping[str, Mapping[str, Any]]) -> dict[str, Fitted]:
    """What acted in a run: as recorded, unless the check of this very run found otherwise. findings: by "stick axis"."""
    farads = {f"{stick} {axis}": value for stick, one in fitted.items() for axis, value in zip(AXES, (one.x_f, one.y_f), strict=True)}
    farads |= {place: float(found["acting_f"]) for place, found in findings.items() if "acting_f" in found}
    sticks = dict.fromkeys(place.partition(" ")[0] for place in farads)
    return {stick: Fitted(farads.get(f"{stick} x", 0.0), farads.get(f"{stick} y", 0.0)) for stick in sticks}


def carries(fitted: Mapping[str, Fitted], parts: tuple[Part, ...]) -> bool:
    """Whether a run was made with exactly these parts known to be in the unit: then it began after they were recorded."""
    return all(_known(fitted, part) == part.farads for part in parts)


def _known(fitted: Mapping[str, Fitted], part: Part) -> float | None:
    known = fitted.get(part.stick)
    return None if known is None else dict(zip(AXES, (known.x_f, known.y_f), strict=True))[part.axis]


def meaning_of(verdict: Verdict, state: State | None, carried: bool) -> Meaning:
    """What a run means. state: of the unit's active order, None when it has none. carried: see `carries`, for the parts of its try."""
    decided = verdict in (Verdict.PASS, Verdict.FAIL)
    if state is None:
        return Meaning.OPENS if verdict is Verdict.FAIL else Meaning.NOTHING
    if state is State.RETESTED:
        return Meaning.WAITS
    if decided and state is State.FITTED and carried:
        return Meaning.RETESTS
    return Meaning.REPEATS if verdict is Verdict.FAIL and state is State.OPEN else Meaning.NOTED


def outcome_of(verdict: Verdict, number: int, tries_max: int) -> Outcome:
    """Of try `number`, whose retest was decided so."""
    if verdict is Verdict.PASS:
        return Outcome.PASSED
    return Outcome.GOES_ON if number < tries_max else Outcome.SCRAPPED


STATE_AFTER: Final[Mapping[Outcome, State]] = {
    Outcome.PASSED: State.CLOSED,
    Outcome.GOES_ON: State.OPEN,
    Outcome.SCRAPPED: State.SCRAPPED,
}


def closing_of(outcome: Outcome, run: int, number: int) -> str:
    """Why an order ended, "" when it did not."""
    tries = "1 try" if number == 1 else f"{number} tries"
    return {
        Outcome.PASSED: f"Run {run} passed after {tries}.",
        Outcome.SCRAPPED: f"Run {run} failed and was the last of {tries}: scrap the unit for its stick module.",
    }.get(outcome, "")


def note_of(run: int, verdict: Verdict, reasons: tuple[str, ...], state: State) -> str:
    """Why a run left an order as it is."""
    because = f" ({', '.join(reasons)})" if reasons else ""
    if verdict is Verdict.INVALID:
        return f"Run {run} was invalid{because} and says nothing of the unit: the order stays {state}; put it right and test again."
    if verdict is Verdict.UNDECIDED:
        return f"Run {run} is undecided{because}: the order stays {state}; test again for more flicks."
    if state is State.OPEN:
        return f"Run {run} passed, but no part was recorded since the failure: record what was done, or withdraw the order with the cause."
    return f"Run {run} {verdict}ed, but began before the fitted part was recorded: it is no retest; test again."
