"""The words of the house: plain frozen data handed from layer to layer. No behaviour beyond simple views."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Verdict(StrEnum):
    """`undecided`: the evidence does not reach the stated risks. `invalid`: recording or rig at fault, nothing said of the unit."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"
    INVALID = "invalid"


@dataclass(frozen=True, slots=True)
class CommandedFlick:
    """A flick the station ordered: its group, and the index of the recording's first sample after the rig began it."""

    group: str
    first_sample: int


@dataclass(frozen=True, slots=True)
class Recording:
    """Uniform samples of both axes of one stick.

    x_v, y_v: shape (n,), volts. supply_v: the unit's rail as measured, None if unknown (the specification's figure is used).
    quantum_v: step of the sampler, 0.0 if unknown. commanded: the order of flicks in a run, None for a file from elsewhere.
    distrust: what the reader found that makes the recording untrustworthy (gaps, clock), one plain sentence each.
    """

    rate_hz: float
    x_v: Floats
    y_v: Floats
    supply_v: float | None = None
    quantum_v: float = 0.0
    t_first_s: float = 0.0
    commanded: tuple[CommandedFlick, ...] | None = None
    distrust: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FlickTable:
    """Figures of n flicks, column by column.

    group: shape (n,), index into quantities.GROUPS. columns: by name in the metric catalogue, shape (n,), float64, NaN where not known.
    flags: n tuples of words, such as "dropout".
    """

    group: NDArray[np.int8]
    columns: Mapping[str, Floats]
    flags: tuple[tuple[str, ...], ...]

    def __len__(self) -> int:
        return len(self.group)


@dataclass(frozen=True, slots=True)
class Fitted:
    """Capacitance from axis signal to ground now in the unit, farads; 0.0 is none."""

    x_f: float = 0.0
    y_f: float = 0.0


@dataclass(frozen=True, slots=True)
class Score:
    """What a recording says under a specification: the verdict, its reasons, and the figures of every group and flick of one stick.

    groups: by group name, JSON-ready mappings (verdict, flicks, flicks_used, peak_counts, ..., decision).
    figures: rest, noise and supply of the stick, JSON-ready.
    """

    verdict: Verdict
    reasons: tuple[str, ...]
    figures: Mapping[str, Any]
    groups: Mapping[str, Mapping[str, Any]]
    flicks: FlickTable


@dataclass(frozen=True, slots=True)
class UnitIdentity:
    """Who is in the clamp. `product` names the specification family; lot is the stick lot, such as ML-2607."""

    serial: str
    product: str
    lot: str = ""


@dataclass(frozen=True, slots=True)
class RigIdentity:
    """What the rig says of itself at the handshake."""

    rig_id: str
    firmware: str
    protocol: int
    boot: int
    emulated: bool
    sample_rate_hz: int
    bits: int
    reference_v: float
    tick_hz: int


@dataclass(frozen=True, slots=True)
class RigInputs:
    """Input bits and the rig's own counters of edges, so that no short event is missed between two status frames."""

    clamp_closed: bool
    guard_closed: bool
    stop_good: bool
    start_down: bool
    start_presses: int
    guard_openings: int
    stop_events: int
    clamp_openings: int


@dataclass(frozen=True, slots=True)
class RigStatus:
    """Latest word from the rig. `fault` is "" or the name of the latched fault (rigs.link.messages.FaultCode)."""

    tick_s: float
    state: str
    fault: str
    energised: bool
    run_number: int
    inputs: RigInputs
    boot: int


@dataclass(frozen=True, slots=True)
class SampleChunk:
    """Samples that arrived since the last take. codes: shape (n, 2) uint16, x and y. first: sequence number of codes[0] in the run.

    contiguous: no sample was missing, doubled or out of order since the run's first sample. tick_span_s: rig time from first to last
    sample of the run so far, 0.0 before two samples.
    """

    run_number: int
    first: int
    codes: NDArray[np.uint16]
    contiguous: bool
    tick_span_s: float


@dataclass(frozen=True, slots=True)
class RunOpening:
    """Committed before the first movement."""

    station: str
    rig: RigIdentity
    rig_name: str
    unit: UnitIdentity
    specification: str  # label
    specification_digest: str
    fitted: Mapping[str, Fitted]  # by stick
    calibration: str  # "" when none
    software: str
    operator: str
    started_at: datetime


@dataclass(frozen=True, slots=True)
class TraceBlock:
    """Codes of one stick's whole run or of a part. codes: (n, 2) uint16; code * scale_v = volts. first: index of codes[0] in the run."""

    stick: str
    first: int
    codes: NDArray[np.uint16]
    rate_hz: float
    scale_v: float
    supply_v: float
    commanded: tuple[CommandedFlick, ...]


@dataclass(frozen=True, slots=True)
class RunClosing:
    """How a run ended. scores and traces by stick; empty where nothing was measured.

    evidence: JSON-ready mapping of what the verdict rests on (expected and received samples, inputs, clock, supply).
    timing: host and rig seconds of the run, JSON-ready. monitor: state of the specification's pooled monitor after this run, kept with it.
    flicks: how often the finger moved, warm-up included. health: what the run tells of the rig, by station.proof.HEALTH.
    """

    verdict: Verdict
    reasons: tuple[str, ...]
    explanation: str
    scores: Mapping[str, Score]
    traces: Mapping[str, TraceBlock]
    evidence: Mapping[str, Any]
    timing: Mapping[str, float]
    ended_at: datetime
    monitor: Mapping[str, Any] | None = None
    flicks: int = 0
    health: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class LastRun:
    """The newest run of a unit. verdict is None while it is open. undecided_groups: "stick group" such as "main x+".

    continues: the run whose other groups this one stood on, 0 for a whole test.
    """

    number: int
    verdict: Verdict | None
    reasons: tuple[str, ...]
    undecided_groups: tuple[str, ...]
    ended_at: datetime | None
    specification_digest: str = ""
    fitted: Mapping[str, Fitted] = field(default_factory=dict)
    continues: int = 0


@dataclass(frozen=True, slots=True)
class RunEvent:
    """Something that happened in the station, for whoever watches. data is JSON-ready. kind is one of
    rig (state of a rig changed), run-started, flick (one flick's figures and a down-sampled trace), round, run-ended, rework (something
    changed in a rework order), procedure (one was begun, went on or ended), notice."""

    kind: str
    rig: str
    data: Mapping[str, Any] = field(default_factory=dict)
