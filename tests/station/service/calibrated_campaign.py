"""Long figures of calibration on emulated rigs: `python -m tests.station.service.calibrated_campaign RIGS`.

Healthy rigs: how many are refused, and how far the figures lie from the truth in their own standard uncertainties. Then each ill at growing
size, over three seeds: from which size on it is found by its name every time.
"""

import sys
import time
from collections import defaultdict
from typing import Any

import numpy as np

from station.errors import NotReady
from station.prove.calibration import ills_of
from station.quantities import GROUPS
from tests.station.service.calibrated import calibrate, virtual_rig
from tests.station.service.calibrated_truth import direction_truth, rig_truth

SIZES: list[tuple[str, str, str, tuple[float, ...]]] = [
    ("worn finger", "servo", "wear_deg", (0.4, 0.45, 0.5, 0.55, 0.6, 7.0)),
    ("short stroke of the servo", "servo", "stroke", (0.98, 0.97, 0.96)),
    ("slow servo", "servo", "slew_deg_s", (1010.0, 1000.0, 995.0, 300.0)),
    ("slow servo", "servo", "latency_s", (0.0088, 0.0092, 0.02)),
    ("backlash", "servo", "backlash_deg", (0.58, 0.62, 5.0)),
    ("loose clamp", "servo", "clamp_play_deg", (0.1, 0.15, 0.2, 0.25, 0.3, 2.0)),
    ("jitter of the servo", "servo", "latency_jitter_s", (0.0003, 0.0004, 0.0005, 0.001)),
    ("jitter of the release", "servo", "release_jitter_deg", (0.2, 0.3, 0.4, 0.6)),
    ("wrong reference or gain of the sampler", "converter", "reference_error", (0.0047, 0.0053, 0.05)),
    ("offset of the sampler", "converter", "offset_v", (0.0058, 0.0062, 0.05)),
    ("bent scale of the sampler", "converter", "bow_share", (0.0018, 0.0022, 0.01)),
    ("drifting sampler", "converter", "reference_drift_s", (1e-5, 1.5e-5, 2e-5, 1e-4)),
    ("sagging supply", "converter", "sag_v_s", (1e-4, 2e-4, 3e-4)),
    ("noisy sampler", "converter", "noise_v", (0.0045, 0.0055, 0.02)),
    ("wrong clock of the rig", "clock", "error", (0.00095, 0.00105)),
    ("wrong sample clock", "clock", "sampler_error", (0.00095, 0.00105)),
]


def healthy(count: int) -> None:
    ratios: dict[str, list[float]] = defaultdict(list)
    refused, begin_s, rig_s = [], time.process_time(), 0.0
    for seed in range(1000, 1000 + count):
        proven = virtual_rig(seed)
        calibration = calibrate(proven)
        rig_s += proven.twin.clock.monotonic_s()
        refused += [(seed, calibration.problems)] if calibration.problems else []
        rows = [(calibration.document["directions"][group], direction_truth(proven, group)) for group in GROUPS]
        for found, truths in [*rows, (calibration.document["rig"], rig_truth(proven))]:
            for name, truth in truths.items():
                if found[name]["value"] is not None:
                    ratios[name].append((found[name]["value"] - truth) / found[name]["u"])
    print(f"{count} healthy rigs: {len(refused)} refused {refused}; {(time.process_time() - begin_s) / count:.2f} s of CPU and ", end="")
    print(f"{rig_s / count:.0f} s of rig time each")
    for name, values in ratios.items():
        errors = np.array(values)
        rms, inside = np.sqrt(np.mean(errors**2)), np.mean(np.abs(errors) <= 2)
        print(f"  {name:20s} error / u: mean {errors.mean():+.2f}, rms {rms:.2f}, within 2: {inside:.3f} of {len(errors)}")


def ill(name: str, what: str, figure: str, size: float, seeds: int = 3) -> str:
    """How often it was found by name, and what else was named."""
    found, others = 0, set[str]()
    for seed in range(seeds):
        proven = virtual_rig(2000 + seed)
        changes: dict[str, Any] = {figure: size}
        getattr(proven.twin.ills, what)(**changes)
        try:
            names = set(ills_of(calibrate(proven)))
        except NotReady as problem:
            names = {one for one, *_ in SIZES if one in str(problem).lower()}
        found += name in names
        others |= names - {name}
    return f"{size:g}: {found} of {seeds}{' also ' + ', '.join(sorted(others)) if others else ''}"


if __name__ == "__main__":
    healthy(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
    for name_, what_, figure_, sizes in SIZES:
        print(f"{name_} by {figure_}: " + "; ".join(ill(name_, what_, figure_, size) for size in sizes))
