"""From volts to codes: reference, gain, offset, bow, noise, and the ills of the signal's way."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rigs.emulated.laws import ConverterLaw, SignalLaw
from station.records import Floats


def true_reference_v(law: ConverterLaw, nominal_v: float, elapsed_s: float) -> float:
    """What the reference really is, after elapsed_s of drift."""
    return nominal_v * (1.0 + law.reference_error + law.reference_drift_s * elapsed_s)


def converted(law: ConverterLaw, volts: Floats, reference_v: float, bits: int, noise_v: Floats | float) -> Floats:
    """Codes as real numbers, before rounding. bow_share: largest departure of the middle from a straight line, share of full scale."""
    share = (volts * (1.0 + law.gain_error) + law.offset_v + noise_v) / reference_v
    if law.bow_share:
        share = share + 4.0 * law.bow_share * share * (1.0 - share)
    return share * float(2**bits)


def disturbed(laws: Sequence[SignalLaw], axis: int, volts: Floats, times_s: Floats, random: np.random.Generator) -> Floats:
    """Volts of one axis with the ills that act before the converter."""
    period_s = times_s[1] - times_s[0] if len(times_s) > 1 else 1e-4
    for law in laws:
        if not law.touches(axis):
            continue
        if law.ill == "hum":
            volts = volts + law.level * np.sin(2.0 * np.pi * law.rate_hz * times_s)
        elif law.ill == "offset":
            volts = volts + law.level
        elif law.ill == "noisy":
            volts = volts + law.level * random.standard_normal(len(volts))
        elif law.ill == "spikes":
            volts = volts + law.level * (random.random(len(volts)) < law.rate_hz * period_s)
        elif law.ill == "open":
            volts = np.zeros_like(volts)
    return volts


def coded(laws: Sequence[SignalLaw], codes: Floats, bits: int) -> NDArray[np.uint16]:
    """Whole codes of both axes, shape (n, 2), with the ills that act behind the converter."""
    top = 2**bits - 1
    whole = np.clip(np.rint(codes), 0, top).astype(np.uint16)
    for law in laws:
        for axis in range(2):
            if law.touches(axis):
                whole[:, axis] = _ill(law, whole[:, axis], top)
        if law.ill == "swapped":
            whole = whole[:, ::-1].copy()
    return whole


def _ill(law: SignalLaw, codes: NDArray[np.uint16], top: int) -> NDArray[np.uint16]:
    if law.ill in ("stuck", "toggling"):
        flat = np.full(len(codes), round(law.level * top), dtype=np.uint16)
        return flat + (np.arange(len(codes)) % 2).astype(np.uint16) if law.ill == "toggling" else flat
    if law.ill == "clipped":
        return np.minimum(codes, np.uint16(round(law.level * top)))
    return np.uint16(top) - codes if law.ill == "negated" else codes
