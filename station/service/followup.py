"""Following closed runs up, one step at a time: orders are opened, advised, checked, and learnt from. No thread, no waiting."""

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Any, TypeVar

from station.errors import RestpointError, StoreUnavailable
from station.ports import Clock
from station.ports.rework import PadMap, ReworkBook
from station.rework import Checked, EstimateRow, Followed, Job, LotNews, Meaning, Outcome, RunFacts
from station.service.advising import steps_for
from station.service.material import advise_on, estimates_of, material
from station.service.reckoning import Pair, Reckoning

log = logging.getLogger(__name__)

T = TypeVar("T")
Tell = Callable[[str, Mapping[str, Any]], None]


@dataclass(frozen=True, slots=True)
class AdviserNeeds:
    """What the adviser is handed. tell: takes the kind of an event and its data; called from the adviser's thread."""

    book: ReworkBook
    clock: Clock
    pads: Mapping[str, PadMap]
    software: str
    tell: Tell
    reckon: Reckoning


def guarded(what: str, compute: Callable[[], T]) -> tuple[T | None, str]:
    """What was computed, or None and one sentence why not. The one place where a computation that raises becomes "failed".

    Raises StoreUnavailable: that is no fault of the computation, and it is tried again.
    """
    try:
        return compute(), ""
    except StoreUnavailable:
        raise
    except RestpointError as problem:
        return None, f"{what} failed: {problem}"
    except Exception as problem:  # whatever it raises, orders and rigs go on
        log.exception("%s failed", what)
        return None, f"{what} failed ({type(problem).__name__}); the trace is kept and can be looked at again"


class FollowUp:
    """Every step is written down before the next one; nothing is kept here. stopped: asked between steps."""

    def __init__(self, needs: AdviserNeeds, stopped: Callable[[], bool]) -> None:
        self._needs = needs
        self._book = needs.book
        self._stopped = stopped
        self._said = ""

    def run(self, number: int) -> Meaning:
        """Settle what a closed run means for the order of its unit."""
        facts, spec = material(self._book, number)
        followed = self._book.follow(number, spec.rework.tries_max, self._now())
        if followed.meaning in (Meaning.OPENS, Meaning.REPEATS, Meaning.NOTED):
            self._say(followed.order, _told(followed, facts))
        return followed.meaning

    def compute(self) -> None:
        """Checks before what they teach, before advice; again while a check brings new advice about."""
        done = True
        while done:
            done = self._each("check", self._check)
            self._learn()
            done = self._each("advice", self._advise) or done

    def once(self, sentence: str) -> None:
        """A notice, unless it was the last one; "" forgets that."""
        if sentence and sentence != self._said:
            self._notice(sentence)
        self._said = sentence

    def _each(self, kind: str, work: Callable[[Job], None]) -> bool:
        """Whether there was anything to do."""
        done = False
        for job in self._book.jobs():
            if job.kind == kind and not self._stopped():
                work(job)
                done = True
        return done

    def _advise(self, job: Job) -> None:
        made, sentence = guarded(f"advice for order {job.order}", lambda: advise_on(self._book, self._needs.reckon, job.run))
        if self._stopped():
            return
        if made is None:
            self._book.advice_failed(job, sentence, self._now())
            self._notice(sentence)
            return
        facts, documents = made
        steps = steps_for(documents, self._needs.pads.get(facts.unit.product))
        self._book.keep_advice(job, documents, steps, self._needs.software, self._now())
        self._say(job.order, f"Order {job.order}: advice is made. {' '.join(step['in_words'] for step in steps[:1])}")

    def _check(self, job: Job) -> None:
        made, sentence = guarded(f"the check of order {job.order}", lambda: self._checked(job))
        if self._stopped():
            return
        if made is None:
            self._notice(sentence)
        outcome = self._book.keep_check(job, made or Checked(sentence), self._now())
        self._say(job.order, _told_outcome(job, outcome, made))

    def _checked(self, job: Job) -> Checked:
        (before, spec), (after, _) = material(self._book, job.before), material(self._book, job.run)
        sticks = dict.fromkeys(part.stick for part in job.parts)
        pairs = {stick: Pair(self._book.recording(job.before, stick), self._book.recording(job.run, stick)) for stick in sticks}
        return self._needs.reckon.check(before, after, pairs, spec, job.parts, estimates_of(self._book, before))

    def _learn(self) -> None:
        for news in self._book.lots_to_learn():
            estimate, sentence = guarded(
                f"learning from {f'lot {news.key.lot}' if news.key.lot else f'product {news.key.product}'}", partial(self._learnt, news)
            )
            if estimate is None:
                self.once(sentence)
            else:
                self._book.keep_estimate(estimate, news.entry)

    def _learnt(self, news: LotNews) -> EstimateRow:
        _, spec = material(self._book, news.run)
        return self._needs.reckon.estimate(news.key, self._book.lessons(news.key), spec, self._now())

    def _now(self) -> datetime:
        return self._needs.clock.utc()

    def _say(self, order: int, sentence: str) -> None:
        self._needs.tell("rework", {"order": order, "sentence": sentence})

    def _notice(self, sentence: str) -> None:
        self._needs.tell("notice", {"sentence": sentence[:1].upper() + sentence[1:]})


def _told(followed: Followed, facts: RunFacts) -> str:
    if followed.meaning is Meaning.OPENS:
        return f"Order {followed.order} opened for unit {facts.unit.serial}: run {facts.number} failed ({', '.join(facts.reasons)})."
    return f"Order {followed.order}: {followed.sentence}"


def _told_outcome(job: Job, outcome: Outcome, made: Checked | None) -> str:
    words = {
        Outcome.PASSED: "the unit passed; the order is closed",
        Outcome.GOES_ON: "it failed; a new try begins",
        Outcome.SCRAPPED: "it failed, and the limit on tries is reached; scrap the unit for its stick module",
    }
    found = " ".join(one["in_words"] for one in made.findings.values()) if made else ""
    return f"Order {job.order}, retest run {job.run}: {words.get(outcome, 'the order has ended')}. {found}".strip()
