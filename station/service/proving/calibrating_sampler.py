"""Steps of a calibration in which nothing moves: levels of the precision reference, and the clocks."""

from collections.abc import Callable, Mapping
from typing import Any, Final

import numpy as np

from station.errors import NotReady
from station.ports import Level, ReadLevel, ReadSupply
from station.service.proving.calibrating_stream import TURN_S, streaming
from station.service.proving.course import ProofBench

ROUNDS: Final = 24  # readings of each level: the mean of 24 tells an input of 10 megohm to some 5 % on emulated data
AGAIN: Final = 8  # readings of two levels before each movement, for drift
SUPPLY_LEAST_V: Final = 0.5  # below there is no unit, or it has no supply
CLOCK_S: Final = 12.0  # at 0.5 s a pair, 24 pairs; 1 ms of delay's jitter then leaves 1e-5 of the ratio
BUCKET_S: Final = 0.5  # ten status frames: one of them comes nearly undelayed


def levels(bench: ProofBench) -> dict[str, Any]:
    """Every level again and again, in turn, so that noise and drift fall on all alike."""
    readings: dict[str, list[float]] = {str(level): [] for level in Level}
    supplies = []
    for number in range(ROUNDS):
        bench.say(f"Levels of the reference: round {number + 1} of {ROUNDS}")
        for level in Level:
            readings[level].append(bench.rig.carry_out(ReadLevel(level)).value)
        supplies.append(supply_v(bench))
    return {"levels": readings, "supply_v": supplies, "reference_v": bench.identity.reference_v}


def levels_again(bench: ProofBench) -> dict[str, Any]:
    """Half and full, and the unit's supply, as they are now."""
    readings: dict[str, list[float]] = {
        str(level): [bench.rig.carry_out(ReadLevel(level)).value for _ in range(AGAIN)] for level in (Level.HALF, Level.FULL)
    }
    return {"levels": readings, "supply_v": [supply_v(bench) for _ in range(AGAIN)]}


def supply_v(bench: ProofBench) -> float:
    """The unit's supply. Raises NotReady when there is none."""
    value = bench.rig.carry_out(ReadSupply()).value
    if value < SUPPLY_LEAST_V:
        raise NotReady(f"The unit's supply is {value:.2f} V: clamp a unit and see that its contacts are clean.")
    return value


def clocks(bench: ProofBench, stick: int) -> Mapping[str, Any]:
    """The rig's clock by this computer's, from its status frames, and the samples by the rig's clock."""
    with streaming(bench, stick, supply_v(bench)) as stream:
        pairs = _pairs(bench, stream.take)
    if len(stream) < 2 or stream.tick_span_s <= 0.0:
        raise NotReady("The rig sends no samples: check the sampler, then do this step again.")
    samples = {
        "count": len(stream),
        "rate_hz": stream.rate_hz,
        "tick_span_s": stream.tick_span_s,
        "tick_s": 1.0 / bench.identity.tick_hz,
    }
    return {"pairs": pairs, "samples": samples}


def _pairs(bench: ProofBench, take: Callable[[], None]) -> list[tuple[float, float]]:
    """Host and rig seconds from the first pair on: of every bucket the status that came with the least delay, since none comes early."""
    begin_s, newest = bench.clock.monotonic_s(), bench.rig.poll(0.0).tick_s
    first_s, seen = newest, []
    while (now_s := bench.clock.monotonic_s()) < begin_s + CLOCK_S:
        tick_s = bench.rig.poll(TURN_S).tick_s
        now_s = bench.clock.monotonic_s()
        take()
        if tick_s != newest:
            newest = tick_s
            seen.append((now_s - begin_s, tick_s - first_s))
            bench.say(f"Clocks: {now_s - begin_s:.0f} s of {CLOCK_S:.0f} s")
    if not seen:
        raise NotReady("The rig's clock stands still: restart the rig, then do this step again.")
    buckets = np.array([int(host_s / BUCKET_S) for host_s, _ in seen])
    return [min((seen[k] for k in np.flatnonzero(buckets == one)), key=lambda pair: pair[0] - pair[1]) for one in np.unique(buckets)]
