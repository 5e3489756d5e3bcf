"""The quick step of a calibration: one direction flicked again and again, each flick measured from its order on."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, Final

import numpy as np

from station.errors import NotReady, UsageError
from station.ports import Done, Flick
from station.prove.calibration_signal import FlickShape, shape_of
from station.quantities import AXES, axis_of, sign_of
from station.records import Floats
from station.service.proving.calibrating_sampler import levels_again
from station.service.proving.calibrating_stream import Stream, streaming
from station.service.proving.course import ProofBench

PAUSE_S: Final = 3.0  # the stick is left alone before, so that its warm-up shows; chosen on emulated data
REST_S: Final = 0.35  # quiet samples before the first flick, as in a run
FINAL_S: Final = 0.030  # at the end of each flick, when the stick lies still again
MOVED: Final = 0.03  # of the supply, as in a sweep


def flicks(bench: ProofBench, group: str, plan: Mapping[str, Any]) -> Mapping[str, Any]:
    """So many flicks of one direction as the plan says. Raises NotReady where one is not to be seen; RigError."""
    again = levels_again(bench)
    supply_v, stick = float(np.mean(again["supply_v"])), int(plan["stick"])
    done: list[Done] = []
    with streaming(bench, stick, supply_v) as stream:
        begin_s = bench.clock.monotonic_s()
        bench.say(f"{group}: the stick is left alone for {PAUSE_S:.0f} s")
        stream.wait_for(round(PAUSE_S * stream.rate_hz))
        quiet = stream.levels(len(stream) - round(REST_S * stream.rate_hz), len(stream))
        for number in range(int(plan["flicks"])):
            bench.say(f"{group}: flick {number + 1} of {plan['flicks']}")
            done.append(bench.rig.carry_out(Flick(bench.stream, group, plan["hold_s"], plan["free_s"], stick)))
            stream.take()
            _require_push(stream, done[-1], group, number + 1, quiet.mean(axis=0))
        duration_s = bench.clock.monotonic_s() - begin_s
    rest = _rest(stream, done, group)
    shapes = _shapes(stream, done, group, rest)
    return {
        **again,
        "rest": round(rest, 8),
        **{name: [round(float(value), 9) for value in column] for name, column in _columns(shapes).items()},
        "noise_v": [float(value) * supply_v for value in quiet.std(axis=0, ddof=1)],
        "duration_s": round(duration_s, 2),
    }


def _require_push(stream: Stream, done: Done, group: str, number: int, rest: Floats) -> None:
    own = AXES.index(axis_of(group))
    moved = sign_of(group) * (stream.levels(done.first_sample, done.last_sample + 1)[:, own] - rest[own])
    if not len(moved) or float(np.quantile(moved, 0.9)) < MOVED:
        raise NotReady(
            f"Flick {number} to {group} did not move the stick: see that a good unit is clamped and that the finger is not jammed."
        )


def _rest(stream: Stream, done: list[Done], group: str) -> float:
    """Mean level of where the stick lay before the first flick and after each, share of the supply."""
    own, final = AXES.index(axis_of(group)), round(FINAL_S * stream.rate_hz)
    lies = [stream.levels(one.last_sample + 1 - final, one.last_sample + 1)[:, own].mean() for one in done]
    first = done[0].first_sample
    return float(np.mean([stream.levels(first - final, first)[:, own].mean(), *lies]))


def _shapes(stream: Stream, done: list[Done], group: str, rest: float) -> list[FlickShape]:
    """Every flick, its times counted from its order."""
    own, sign = AXES.index(axis_of(group)), sign_of(group)
    shapes = []
    for number, one in enumerate(done, 1):
        first, end = one.first_sample, one.last_sample + 1
        deflection = sign * (stream.levels(first, end)[:, own] - rest)
        try:
            shapes.append(shape_of(deflection, stream.times_s(first, end) - one.begin_s))
        except UsageError as problem:
            raise NotReady(f"Flick {number} to {group}: {problem}. Check finger and servo, then do this step again.") from problem
    return shapes


def _columns(shapes: list[FlickShape]) -> dict[str, list[float]]:
    rows = [asdict(one) for one in shapes]
    return {name: [row[name] for row in rows] for name in rows[0]}
