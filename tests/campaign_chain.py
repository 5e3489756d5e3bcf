"""Faulty runs through the whole chain: emulated rig, link, driver, run, scorer, evidence, store, in virtual time.

    python -m tests.campaign_chain --n 3000 --seed 7

Every run has one fault, of the unit or of the rig, drawn from the seed. None may pass. Prints runs, false passes and the 95 % bound (3 / n
when there are none; the rule of three, common practice), and what became of each kind of fault.
"""

import argparse
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rigs.emulated.bench import Bench
from rigs.emulated.characters import CHARACTERS
from rigs.emulated.units import EmulatedUnit
from station.specification import parse_specification
from tests.conftest import DATA
from tests.station.service.virtual import VirtualStation, virtual_station

BATCH = 50  # runs on one station; then a fresh one, so that memory stays flat
RUN_S = (2.2, 6.0)  # when something strikes: from the first counted flick on

Random = np.random.Generator
Strike = Callable[[VirtualStation, Random], None]


@dataclass(frozen=True, slots=True)
class Fault:
    """Of the unit: its character; of the rig: what is done to it, before the run or at an instant of it."""

    name: str
    character: str = "good"
    before: Strike | None = None
    during: Strike | None = None


def _servo(figure: str, low: float, high: float) -> Strike:
    return lambda station, random: station.ills.servo(**{figure: float(random.uniform(low, high))})


def _signal(ill: str, low: float = 0.5, high: float = 0.5, both: bool = False) -> Strike:
    def strike(station: VirtualStation, random: Random) -> None:
        axis = "" if both else str(random.choice(["x", "y"]))
        station.ills.signal(ill, axis=axis, level=float(random.uniform(low, high)))

    return strike


def _lost(station: VirtualStation, random: Random) -> None:
    at, lost = int(random.integers(2_000, 20_000)), int(random.integers(1, 5))
    repaid = at + int(random.integers(500, 5_000)) if random.random() < 0.5 else 0
    station.ills.converter(lost_at=at, lost=lost, repaid_at=repaid)


def _frame(kind: str) -> Strike:
    """Beyond the warm-up, whose samples are thrown away."""
    return lambda station, random: station.ills.frame(kind, name="SAMPLES", k=int(random.integers(250, 1200)))


FAULTS = (
    *(Fault(name, character=name) for name in CHARACTERS if name != "good"),
    Fault("sample frame dropped", before=_frame("drop")),
    Fault("sample frame corrupted", before=_frame("corrupt")),
    Fault("sample frame cut short", before=_frame("truncate")),
    Fault("samples lost, some repaid", before=_lost),
    Fault("supply sags", before=lambda s, r: s.ills.converter(sag_v_s=float(r.uniform(0.01, 0.1)))),
    Fault("wrong supply", before=lambda s, r: s.ills.converter(supply_v=float(r.choice([2.4, 2.6, 2.9])))),
    Fault("rig clock off", before=lambda s, r: s.ills.clock(error=float(r.choice([-1, 1]) * r.uniform(0.03, 0.1)))),
    Fault("sampler clock off", before=lambda s, r: s.ills.clock(sampler_error=float(r.choice([-1, 1]) * r.uniform(0.003, 0.1)))),
    Fault("stuck at mid-scale", before=_signal("stuck", 0.45, 0.55)),
    Fault("both stuck at mid-scale", before=_signal("stuck", 0.45, 0.55, both=True)),
    Fault("toggling at mid-scale", before=_signal("toggling", 0.45, 0.55)),
    Fault("both toggling", before=_signal("toggling", 0.45, 0.55, both=True)),
    Fault("clipped", before=_signal("clipped", 0.55, 0.75)),
    Fault("open", before=_signal("open", 0.0, 1.0)),
    Fault("negated", before=_signal("negated")),
    Fault("swapped", before=_signal("swapped", both=True)),
    Fault("very noisy", before=_signal("noisy", 0.03, 0.1)),
    Fault("finger jammed", before=lambda s, r: s.ills.servo(ill="jammed")),
    Fault("finger holds", before=lambda s, r: s.ills.servo(ill="holds")),
    Fault("finger weak", before=_servo("stroke", 0.5, 0.85)),
    Fault("cable pulled", during=lambda s, r: s.cable.unplug()),
    Fault("rig restarts", during=lambda s, r: s.rig.reboot()),
    Fault("rig hangs", during=lambda s, r: s.rig.freeze(watchdog=bool(r.random() < 0.5))),
    Fault("stop pressed", during=lambda s, r: s.hands.press_stop()),
    Fault("stop channels disagree", during=lambda s, r: s.ills.channels(True, False)),
    Fault("guard opened", during=lambda s, r: s.hands.open_guard()),
    Fault("clamp opened", during=lambda s, r: s.hands.unclamp()),
    Fault("halted", during=lambda s, r: s.worker.rig.request_halt()),
)


@dataclass(slots=True)
class Outcome:
    """What became of the runs. passes: seed numbers of false passes."""

    tried: int
    passes: list[int]
    verdicts: dict[str, Counter[str]]


def campaign(runs: int, seed: int, folder: Path, tell: Callable[[int], None] = lambda _n: None) -> Outcome:
    """Faulty runs number 0 .. runs - 1 of a seed; every fault comes about equally often."""
    outcome = Outcome(0, [], {fault.name: Counter() for fault in FAULTS})
    for first in range(0, runs, BATCH):
        numbers = range(first, min(runs, first + BATCH))
        place = folder / f"batch-{first}"
        place.mkdir()
        for number, fault, verdict in _batch(numbers, seed, place):
            outcome.tried += 1
            outcome.verdicts[fault.name][verdict] += 1
            if verdict == "pass":
                outcome.passes.append(number)
        tell(outcome.tried)
    return outcome


def _batch(numbers: range, seed: int, folder: Path) -> list[tuple[int, Fault, str]]:
    text = (DATA / "dunlin-2-A.toml").read_text().replace('mode = "guarded"', 'mode = "guarded"\naudit_share = 0.0')
    chosen = [(number, FAULTS[number % len(FAULTS)]) for number in numbers]
    units = [_unit(number, fault, seed) for number, fault in chosen]
    station = virtual_station(folder, parse_specification(text), text, Bench(units, seed))
    try:
        return [(number, fault, _one(station, number, fault, np.random.default_rng([seed, number, 1]))) for number, fault in chosen]
    finally:
        station.close()


def _unit(number: int, fault: Fault, seed: int) -> EmulatedUnit:
    stick = CHARACTERS[fault.character](np.random.default_rng([seed, number]))
    return EmulatedUnit(f"DN2-{number:06d}", "dunlin-2", "ML-2607", fault.character, {"main": stick})


def _one(station: VirtualStation, number: int, fault: Fault, random: Random) -> str:
    """One run with its fault; everything is put right again afterwards."""
    station.load(f"DN2-{number:06d}")
    if fault.before is not None:
        fault.before(station, random)
        station.turn()
    if fault.during is not None:
        strike = fault.during
        station.rig.at(station.rig.now_s + float(random.uniform(*RUN_S)), lambda: strike(station, random))
    verdict = station.run().verdict
    _put_right(station)
    return verdict


def _put_right(station: VirtualStation) -> None:
    station.cable.replug()
    if station.rig.frozen:
        station.rig.thaw()
    station.ills.heal()
    station.hands.release_stop()
    station.clock.sleep(6.0)
    station.turn(20)


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--n", type=int, default=3000)
    words.add_argument("--seed", type=int, default=7)
    asked = words.parse_args()
    began = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        outcome = campaign(asked.n, asked.seed, Path(folder), lambda n: print(f"{n} runs", file=sys.stderr, flush=True))
    for name, verdicts in outcome.verdicts.items():
        print(f"{name:28} {dict(verdicts)}")
    took_s = time.perf_counter() - began
    print(f"{outcome.tried} faulty runs, {len(outcome.passes)} false passes, 95 % bound {3 / outcome.tried:.2g}, {took_s:.0f} s")
    if outcome.passes:
        print(f"seed={asked.seed} runs={outcome.passes}")
    return 1 if outcome.passes else 0


if __name__ == "__main__":
    sys.exit(main())
