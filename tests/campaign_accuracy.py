"""Accuracy of the figures on recordings of known truth, group by group.

    python -m tests.campaign_accuracy --groups 200 --seed 1

draws sticks (ringing 40 to 90 Hz, peaks 0 to 45 counts, noise 1.5 to 4 mV rms) for each corner of sampling and prints the worst and the
middle group: bias and rms of the peak, rms of over-zone, return and reach, and how often |error| <= 2 u.
"""

import argparse
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import numpy as np

from station.judge.score import score_recording
from station.quantities import GROUPS
from station.records import Fitted, Score
from station.specification import Specification, parse_specification
from tests.truth import Scene, Simulated, simulate

FIGURES = ("peak_counts", "over_zone_s", "return_s", "reach_counts", "settle_s", "rest_shift_counts", "t_release_s")
TRUE = {"rest_shift_counts": "final_counts"}


@cache
def demo_specification() -> Specification:
    return parse_specification((Path(__file__).parent / "data" / "dunlin-2-A.toml").read_text(encoding="utf-8"))


@dataclass(frozen=True)
class Corner:
    """rates, bits, noise: what is drawn from."""

    rates_hz: tuple[float, ...]
    bits: tuple[int, ...]
    noise_v: tuple[float, float] = (0.0015, 0.004)
    capacitance_f: tuple[float, ...] = (0.0,)


CORNERS = {
    "8 kS/s and more, 12 bit and more": Corner((8000.0, 10_000.0, 16_000.0, 24_000.0), (12, 14, 0)),
    "8 kS/s, 12 bit, 4 mV": Corner((8000.0,), (12,), (0.004, 0.004)),
    "4 kS/s, 10 bit, 4 mV": Corner((4000.0,), (10,), (0.004, 0.004)),
    "8 kS/s, 12 bit, with a capacitor": Corner((8000.0,), (12,), (0.0015, 0.004), (1e-7, 3.3e-7, 6.8e-7)),
}


@dataclass
class Errors:
    """Per figure, one row a group: bias, rms; and all z = error / u."""

    bias: dict[str, list[float]] = field(default_factory=lambda: {name: [] for name in FIGURES})
    rms: dict[str, list[float]] = field(default_factory=lambda: {name: [] for name in FIGURES})
    z: dict[str, list[float]] = field(default_factory=lambda: {name: [] for name in FIGURES})
    miscounted: int = 0

    def add(self, simulated: Simulated, score: Score) -> None:
        """Compare flick by flick; a recording with a flick missed or invented counts as miscounted."""
        seen = [GROUPS[int(g)] for g in score.flicks.group]
        if seen != [flick.group for flick in simulated.flicks]:
            self.miscounted += 1
            return
        for group in sorted(set(seen)):
            mine = [k for k, name in enumerate(seen) if name == group]
            for name in FIGURES:
                truth = np.array([getattr(simulated.flicks[k], TRUE.get(name, name)) for k in mine])
                error = score.flicks.columns[name][mine] - truth
                self.bias[name].append(float(np.mean(error)))
                self.rms[name].append(float(np.sqrt(np.mean(error**2))))
                u = score.flicks.columns[f"u_{name}"][mine]
                moves = (truth != 0) | (error != 0)
                self.z[name] += (error[moves] / np.maximum(u[moves], 1e-12)).tolist()

    def coverage(self, name: str) -> float:
        """Share of errors within two standard uncertainties."""
        return float(np.mean(np.abs(self.z[name]) <= 2.0)) if self.z[name] else 1.0


def draw(corner: Corner, rng: np.random.Generator, flicks: int) -> Scene:
    """A stick and a sampler from the corner; each group has its own mean peak."""
    peaks = {group: float(rng.uniform(0, 45)) if rng.random() > 0.1 else 0.0 for group in GROUPS}
    farads = tuple(float(rng.choice(corner.capacitance_f)) for _ in range(2))
    return Scene(
        rate_hz=float(rng.choice(corner.rates_hz)),
        bits=int(rng.choice(corner.bits)),
        noise_v=float(rng.uniform(*corner.noise_v)),
        ring_hz=float(rng.uniform(40, 90)),
        peak_counts=peaks,
        peak_sd_counts=float(rng.uniform(0.2, 1.5)),
        reach_counts={group: float(rng.uniform(70, 84)) for group in GROUPS},
        rest_counts=(float(rng.uniform(122, 134)), float(rng.uniform(122, 134))),
        capacitance_f=(farads[0], farads[1]),
        order=GROUPS * flicks,
        lead_s=float(rng.uniform(0.21, 0.4)),
        interval_s=float(rng.uniform(0.2, 0.3)),
    )


def campaign(corner: Corner, groups: int, seed: int, flicks: int = 20, watch: Callable[[Scene, Score], None] | None = None) -> Errors:
    """Errors over at least `groups` groups of `flicks` flicks each."""
    rng = np.random.default_rng(seed)
    errors = Errors()
    spec = demo_specification()
    for _ in range(-(-groups // 4)):
        scene = draw(corner, rng, flicks)
        simulated = simulate(scene, rng)
        score = score_recording(simulated.recording, spec, Fitted(*scene.capacitance_f))
        errors.add(simulated, score)
        if watch is not None:
            watch(scene, score)
    return errors


def report(title: str, errors: Errors) -> str:
    lines = [f"{title}: {len(errors.bias['peak_counts'])} groups, miscounted recordings {errors.miscounted}"]
    for name in FIGURES:
        scale, unit = (1e3, "ms") if name.endswith("_s") else (1.0, "counts")
        bias, rms = np.abs(errors.bias[name]) * scale, np.asarray(errors.rms[name]) * scale
        lines.append(
            f"  {name:18s} |bias| median {np.median(bias):.3f} worst {bias.max():.3f}  rms median {np.median(rms):.3f} "
            f"95% {np.quantile(rms, 0.95):.3f} worst {rms.max():.3f} {unit}  within 2u {errors.coverage(name):.3f}"
        )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--groups", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    for title, corner in CORNERS.items():
        print(report(title, campaign(corner, asked.groups, asked.seed)))


if __name__ == "__main__":
    main()
