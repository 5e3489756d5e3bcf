"""A store filled with runs of simulated sticks, scored by the product's own scorer."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from db.migrate import create_or_require
from db.store import SqlStore
from station.judge.score import score_recording
from station.records import (
    CommandedFlick,
    Fitted,
    Recording,
    RunClosing,
    RunOpening,
    Score,
    TraceBlock,
    UnitIdentity,
    Verdict,
)
from station.specification import parse_specification
from tests.api.fakes import RIG
from tests.station.service.words import STICK, evidence
from tests.truth import Scene, simulate

STATION = "Mossgate bench"
SPECIFICATION_TEXT = (Path(__file__).parents[1] / "data" / "dunlin-2-A.toml").read_text()
SPECIFICATION = parse_specification(SPECIFICATION_TEXT)
START = datetime(2026, 11, 24, 7, 30, tzinfo=UTC)


@dataclass(frozen=True)
class Story:
    """A unit's stick as simulated, and when it was tested."""

    serial: str
    scene: Scene
    fitted: Fitted = field(default_factory=Fitted)
    lot: str = "ML-2607"
    verdict: Verdict | None = None
    reasons: tuple[str, ...] = ()
    explanation: str = ""


STORIES = (
    Story("DN-0001", Scene(peak_counts=dict.fromkeys(("x+", "x-", "y+", "y-"), 12.0), order=("x+", "x-", "y+", "y-") * 14)),
    Story("DN-0002", Scene(peak_counts={"x+": 31.0}, order=("x+", "x-", "y+", "y-") * 6)),
    Story("DN-0003", Scene(order=("x+", "x-", "y+", "y-") * 3), lot="ML-2611"),
    Story(
        "DN-0004",
        Scene(order=("x+", "x-") * 2),
        verdict=Verdict.INVALID,
        reasons=("rig-guard",),
        explanation="The guard opened during the run.",
    ),
)


def filled_store(folder: Path, stories: Sequence[Story] = STORIES) -> str:
    """A new database with one run per story; returns its address."""
    url = f"sqlite:///{folder / 'results.sqlite'}"
    create_or_require(url)
    store = SqlStore(url, STATION, keep_pass_every=1)
    try:
        store.keep_specification(SPECIFICATION_TEXT, SPECIFICATION, START)
        for index, story in enumerate(stories):
            add_run(store, story, START + timedelta(minutes=index), seed=index)
    finally:
        store.close()
    return url


def add_run(store: SqlStore, story: Story, at: datetime, seed: int = 0) -> int:
    """One whole run of a story through the store; returns its number."""
    recording = simulate(story.scene, seed, with_truth=False).recording
    score = score_recording(recording, SPECIFICATION, story.fitted)
    number = store.open_run(opening(story, at))
    store.close_run(number, _closing(story, recording, score, at + timedelta(seconds=20)))
    return number


def opening(story: Story, at: datetime) -> RunOpening:
    """The beginning of a story's run."""
    return RunOpening(
        station=STATION,
        rig=RIG,
        rig_name="a",
        unit=UnitIdentity(story.serial, SPECIFICATION.name, story.lot),
        specification=SPECIFICATION.label,
        specification_digest=SPECIFICATION.digest,
        fitted={"main": story.fitted},
        calibration="",
        software="0.1.0",
        operator="ann",
        started_at=at,
    )


def _closing(story: Story, recording: Recording, score: Score, at: datetime) -> RunClosing:
    codes = np.rint(np.column_stack([recording.x_v, recording.y_v]) / recording.quantum_v).astype(np.uint16)
    commanded = tuple(CommandedFlick(group, 2000 * (1 + index)) for index, group in enumerate(story.scene.order))
    block = TraceBlock("main", 0, codes, recording.rate_hz, recording.quantum_v, recording.supply_v or 0.0, commanded)
    return RunClosing(
        verdict=story.verdict or score.verdict,
        reasons=story.reasons or score.reasons,
        explanation=story.explanation,
        scores={"main": score},
        traces={"main": block},
        evidence=evidence(sticks=(replace(STICK, samples_expected=len(codes), samples_received=len(codes)),)).document(),
        timing={"wall_s": 20.0, "motion_s": 19.6},
        ended_at=at,
    )
