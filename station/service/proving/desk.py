"""Where the doors ask about proving: procedures, how a rig stands, charts, wear, budget."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

from station.errors import Busy, NotFound, UsageError
from station.ports.desk import RigView
from station.ports.proof import ProcedureView, RigProof
from station.proof import Baseline, ChartKey, Kind, Note, Procedure, Standing
from station.prove import charted
from station.service.inbox import Inbox
from station.service.proving.conductor import Asked, Conductor, Proving, summary
from station.service.proving.figures import budget_of, wear_of

BANNER_SIGNALS = 20  # newest of a chart that are looked at for a banner


class Proved(Protocol):
    """A rig's worker, as far as this desk needs it."""

    inbox: Inbox

    @property
    def conductor(self) -> Conductor: ...

    def view(self) -> RigView: ...


class StationProof:
    """Implements station.ports.proof.ProofDesk. worker_of: by name, raises NotFound; rigs: their names."""

    def __init__(self, around: Proving, worker_of: Callable[[str], Proved], rigs: Sequence[str]) -> None:
        self._around = around
        self._worker_of = worker_of
        self._rigs = tuple(rigs)

    # --- procedures

    def state(self, rig: str) -> RigProof:
        return self._worker_of(rig).conductor.proof()

    def begin(self, rig: str, kind: Kind, plan: Mapping[str, Any], operator: str) -> ProcedureView:
        worker = self._worker_of(rig)
        _require_idle(worker.view())
        by = _named("operator", operator)
        worker.inbox.ask(lambda served: served.do_begin(kind, plan, by))
        return worker.conductor.view()

    def procedure(self, number: int) -> ProcedureView:
        for rig in self._rigs:
            conductor = self._worker_of(rig).conductor
            if conductor.number == number:
                return conductor.view()
        return self._kept(self._around.book.procedure(number))

    def go_on(self, number: int, operator: str, position: int = 0) -> ProcedureView:
        worker = self._worker_with(number)
        _require_idle(worker.view())
        asked = Asked(_named("operator", operator), position)
        worker.inbox.ask(lambda served: served.do_go_on(number, asked))
        return self.procedure(number)

    def abandon(self, number: int, operator: str, cause: str) -> ProcedureView:
        worker = self._worker_with(number)
        _require_idle(worker.view())
        by, why = _named("operator", operator), _named("cause", cause)
        worker.inbox.ask(lambda served: served.do_abandon(number, by, why))
        return self.procedure(number)

    # --- charts

    def chart(self, chart: ChartKey, newest: int = 100) -> Mapping[str, Any]:
        book = self._around.book
        points = book.chart_points(chart, newest)
        return charted.document(chart, points, book.baseline(chart), book.signals(chart, newest), book.notes(chart))

    def charts(self, rig: str) -> Sequence[ChartKey]:
        return self._around.book.chart_keys(rig)

    def freeze(self, chart: ChartKey, first: str, last: str, rules: Sequence[str], operator: str) -> Mapping[str, Any]:
        book = self._around.book
        points = charted.stretch(book.chart_points(chart, charted.BASELINE_MOST), first, last)
        limits = charted.frozen(chart, points)
        chosen = charted.rules_of(chart, rules)
        by = _named("operator", operator)
        book.keep_baseline(Baseline(chart, first, last, limits, chosen, by, self._around.clock.utc()))
        return self.chart(chart)

    def note(self, chart: ChartKey, point: str, cause: str, action: str, operator: str) -> None:
        known = {one.key for one in self._around.book.chart_points(chart, charted.BASELINE_MOST)}
        if point not in known:
            raise UsageError(f"point is {point!r}; expected one of chart {chart}, such as {next(iter(known), 'none yet')}")
        note = Note(chart, point, _named("cause", cause), action.strip(), _named("operator", operator), self._around.clock.utc())
        self._around.book.keep_note(note)

    def banners(self) -> Sequence[str]:
        found: list[str] = []
        for rig in self._rigs:
            proof = self.state(rig)
            found += [*proof.blocks, *proof.warns]
        return (*found, *self._signals_to_explain())

    # --- figures

    def wear(self, rig: str) -> Mapping[str, Any]:
        return wear_of(self._around.book, self._worker_of(rig).view(), self._around.clock.utc())

    def budget(self, rig: str, product: str) -> Mapping[str, Any]:
        proof = self.state(rig)
        if proof.calibration is None:
            raise NotFound(f"rig {rig} has no accepted calibration: a budget is made from one")
        specification = self._around.specification_of(product)
        if specification is None:
            raise NotFound(f"product is {product!r}; expected one with a specification here")
        study = self._around.book.study_in_force(Kind.GAUGE_STUDY, product, proof.calibration.emulated)
        return budget_of(proof.calibration, study, specification)

    # --- inside

    def _worker_with(self, number: int) -> Proved:
        """The worker at whose rig the procedure is open. Raises NotFound, UsageError."""
        for rig in self._rigs:
            worker = self._worker_of(rig)
            if worker.conductor.number == number:
                return worker
        standing = self._around.book.procedure(number).standing
        raise UsageError(f"procedure {number} is {standing}; expected one that is open at a rig that is linked")

    def _kept(self, procedure: Procedure) -> ProcedureView:
        course = self._around.course(procedure.opening.kind)
        steps = course.steps(procedure.opening.plan)
        outcome = summary(self._around.book.outcome(procedure.number)) if procedure.standing is Standing.DONE else {}
        return ProcedureView(procedure, steps, None, False, "", "", outcome)

    def _signals_to_explain(self) -> list[str]:
        book = self._around.book
        found = []
        for rig in ("", *self._rigs):
            for key in book.chart_keys(rig):
                explained = {note.point for note in book.notes(key)}
                open_still = [one for one in book.signals(key, BANNER_SIGNALS) if one.point not in explained]
                found += [one.sentence for one in open_still[:1]]
        return found


def _require_idle(view: RigView) -> None:
    if view.state in ("running", "proving"):
        raise Busy(f"Rig {view.name} is busy: {view.sentence}")


def _named(what: str, text: str) -> str:
    if not text.strip():
        raise UsageError(f"{what} is missing; expected who does this, and why")
    return text.strip()
