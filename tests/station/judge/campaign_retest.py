"""How often the retest's check finds the truth: `python -m tests.station.judge.campaign_retest [seeds] [flicks before] [flicks after]`.

Emulated sticks just beyond the zone, 8 and 10 kS/s, 12 bits, tracks and parts within their tolerances.
"""

import sys
from collections import Counter

import numpy as np

from station.judge.retest import check_retest
from station.records import Fitted
from station.specification import parse_specification
from tests.conftest import DATA
from tests.station.judge.emulated_returns import damped, recorded, stick_of, with_parts

PART_F, WRONG_F = 4.7e-7, 1.0e-7
TRUTHS = {
    "nothing acts": ("not-acting", 0.0, 1.0),
    "0.1 uF acts": ("other-value", WRONG_F, 1.0),
    "0.47 uF acts": ("as-recorded", PART_F, 1.0),
    "0.47 uF acts, damping +25 %": ("changed-stick", PART_F, 1.25),
    "0.47 uF acts, damping -25 %": ("changed-stick", PART_F, 0.75),
}


def campaign(truth: str, seeds: int, before: int, after: int) -> tuple[Counter[str], list[float]]:
    """Findings, and estimated over true capacitance, for one truth; 0.47 uF is recorded throughout."""
    spec = parse_specification((DATA / "dunlin-2-A.toml").read_text())
    _, acts_f, damping = TRUTHS[truth]
    findings: Counter[str] = Counter()
    ratios = []
    for seed in range(seeds):
        random = np.random.default_rng(seed + 1000)
        stick = stick_of(random, random.uniform(23.6, 24.6), random.uniform(84.0, 90.0))
        part_f, rate_hz = acts_f * random.uniform(0.9, 1.1), 8000.0 if seed % 2 else 10_000.0
        first = recorded(stick, ("x+", "x-") * before, 2 * seed, rate_hz)
        second = recorded(with_parts(damped(stick, damping), part_f), ("x+", "x-") * after, 2 * seed + 1, rate_hz)
        axis = check_retest(first, second, spec, Fitted(), Fitted(PART_F))["axes"]["x"]
        findings[axis["finding"]] += 1
        if part_f > 0.0 and damping == 1.0:
            ratios.append(axis["estimate"]["capacitance_f"] / part_f)
    return findings, ratios


def main(seeds: int = 60, before: int = 8, after: int = 8) -> None:
    for truth, (expected, _, _) in TRUTHS.items():
        findings, ratios = campaign(truth, seeds, before, after)
        shown = f"; estimate over truth {min(ratios):.2f} to {max(ratios):.2f}, within 15 %: " if ratios else ""
        within = f"{np.mean(np.abs(np.array(ratios) - 1.0) <= 0.15):.0%}" if ratios else ""
        print(f"{truth}: {findings[expected]} of {seeds} found; {dict(findings)}{shown}{within}")


if __name__ == "__main__":
    main(*(int(one) for one in sys.argv[1:]))
