"""Files that are handed out, made in pieces: what they are called, what they are, and what they are made of."""

import base64
import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

import numpy as np

from api.http.bodies_yields import UnitHistoryBody
from api.http.formats import MEDIA_TYPES, Form
from api.http.traces import csv_lines
from api.reports.delimited import Dialect
from api.reports.documents import failed_json, failed_lines, yield_json
from api.reports.failed import failed_csv, failed_xlsx
from api.reports.unit_page import unit_pdf
from api.reports.words import UnitReport
from api.reports.yield_page import yield_pdf
from api.reports.yields import Part, yield_csv, yield_xlsx
from station.errors import NotFound
from station.records import Recording
from station.yields import FailedUnit, YieldReport

CODES: Final = np.dtype("<u2")
CODES_MAX: Final = 2**16 - 1


@dataclass(frozen=True, slots=True)
class Paper:
    """A file. about: headers that say more about it."""

    pieces: Iterable[bytes]
    form: Form
    name: str
    about: Mapping[str, str] = field(default_factory=dict)

    @property
    def media_type(self) -> str:
        return MEDIA_TYPES[self.form]

    def whole(self) -> bytes:
        """All of it at once, for small ones."""
        return b"".join(self.pieces)


def yield_paper(report: YieldReport, form: Form, part: Part = Part.YIELD, dialect: Dialect = Dialect.STANDARD) -> Paper:
    """A yield report as JSON, PDF, XLSX or CSV."""
    if form is Form.PDF:
        return Paper((yield_pdf(report),), form, "yield.pdf")
    if form is Form.XLSX:
        return Paper(yield_xlsx(report), form, "yield.xlsx")
    if form is Form.CSV:
        return Paper(yield_csv(report, part, dialect), form, f"{'yield' if part is Part.YIELD else f'yield-{part}'}.csv")
    return Paper((yield_json(report),), form, "yield.json")


@dataclass(frozen=True, slots=True)
class FailedList:
    """Rows of a list of failed units. about: what was asked, JSON-ready; resumed: rows go on, without a header."""

    rows: Iterator[FailedUnit]
    about: Mapping[str, Any]
    made_at: datetime
    resumed: bool = False


def failed_paper(listed: FailedList, form: Form, dialect: Dialect = Dialect.STANDARD) -> Paper:
    """A list of failed units as CSV, XLSX, JSON or JSON lines."""
    name = f"failed-units.{form}"
    if form is Form.XLSX:
        return Paper(failed_xlsx(listed.rows, listed.made_at), form, name)
    if form is Form.JSON:
        return Paper(failed_json(listed.rows, listed.about), form, name)
    if form is Form.LINES:
        return Paper(failed_lines(listed.rows), form, name)
    return Paper(failed_csv(listed.rows, dialect, listed.resumed), form, name)


def history_paper(history: UnitHistoryBody) -> Paper:
    """Everything that is known of a unit as JSON."""
    return Paper((history.model_dump_json(by_alias=True).encode() + b"\n",), Form.JSON, f"unit-{history.unit.serial}.json")


def unit_paper(report: UnitReport) -> Paper:
    """A unit as PDF."""
    return Paper((unit_pdf(report),), Form.PDF, f"unit-{report.serial}.pdf")


def trace_csv(recording: Recording, number: int, stick: str) -> Paper:
    """A recording as CSV that `restpoint score` reads."""
    about: dict[str, Any] = {"run": number, "stick": stick, "rate_hz": recording.rate_hz, "supply_v": recording.supply_v}
    return Paper((piece.encode() for piece in csv_lines(recording, about)), Form.CSV, f"run-{number}-{stick}.csv")


def trace_raw(recording: Recording, number: int, stick: str) -> Paper:
    """Codes of the sampler: x and y in turn, unsigned 16 bits, the low byte first. A code times the scale is a voltage. Raises NotFound."""
    if recording.quantum_v <= 0.0:
        raise NotFound(f"run {number}: the trace of stick {stick!r} has no scale, so that it has no codes; ask for it as CSV")
    levels_v = np.column_stack([recording.x_v, recording.y_v])
    codes = np.rint(levels_v / recording.quantum_v).clip(0, CODES_MAX).astype(CODES)
    data = codes.tobytes()
    about = {
        "Restpoint-Samples": str(len(codes)),
        "Restpoint-Rate-Hz": repr(recording.rate_hz),
        "Restpoint-Scale-V": repr(recording.quantum_v),
        "Restpoint-Supply-V": "" if recording.supply_v is None else repr(recording.supply_v),
        "Restpoint-First-S": repr(recording.t_first_s),
        "Restpoint-Axes": "x,y",
        "Repr-Digest": f"sha-256=:{base64.b64encode(hashlib.sha256(data).digest()).decode()}:",
    }
    return Paper((data,), Form.RAW, f"run-{number}-{stick}.u16le", about)
