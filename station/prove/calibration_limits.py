"""Within what a calibration is accepted, and how long it holds. Every figure with its reason; most were chosen on the emulated rig."""

from dataclasses import dataclass, fields

from station.errors import ConfigurationError


@dataclass(frozen=True, slots=True)
class CalibrationLimits:
    """Angles are ordered angles from home, along the direction. Shares are of 1. Raises ConfigurationError for what cannot be.

    valid_days, valid_flicks: how long it holds. Chosen: a quarter of a year as is usual for shop-floor gauges (common practice, no source);
    500,000 flicks are 5,000 units of 100 flicks. warn_share: a warning comes when so much of either is used.
    """

    valid_days: float = 90.0
    valid_flicks: int = 500_000
    warn_share: float = 0.9

    # The finger. The emulated rig's design: contact 10.15, full deflection 35.15, release 48.15 degrees.
    stroke_least_deg: float = 37.0  # contact to release, 38 by design: a tip worn by half a degree shortens it by one
    stroke_most_deg: float = 39.0  # a tip that is too long, or bent
    place_least_deg: float = 28.0  # middle between contact and release, 29.15 by design: it moves with the unit's place, not with wear
    place_most_deg: float = 30.3  # a degree of place is 0.8 ms of push; the hold, 8 degrees before the release, stays safe
    backlash_most_deg: float = 0.6  # twice what the emulated gear has: chosen on emulated data
    contact_sd_most_deg: float = 0.1  # from push to push; a firm clamp leaves 0.01, chosen on emulated data
    residual_most: float = 0.01  # rms departure of the map from its straight parts, share of full deflection; a sound track leaves 0.001
    release_sd_most_deg: float = 0.25  # of the release angle against the contact, from push to push; 0.1 on emulated data

    # The servo.
    latency_most_s: float = 0.009  # from order to movement; 6 ms on emulated data
    slew_least_deg_s: float = 1000.0  # at it the push from contact to full deflection takes half of the 50 ms that a flick has for it
    latency_jitter_most_s: float = 0.0004  # twice that of the emulated servo
    release_jitter_most_s: float = 0.0005  # the same and the release angle's own, at full slew
    flick_reach_least: float = 0.97  # of a flick's hold against the slow sweep's full deflection: else the flick falls short

    # The sampler. A count is 12.9 mV on the demo product (3.3 V, 8 bit).
    offset_most_v: float = 0.006  # half a count; limits on rest are counts wide
    gain_most: float = 0.005  # 0.4 counts of a reach of 77
    bow_most: float = 0.002  # half a count in the middle of the scale
    drift_most: float = 0.002  # of the gain, while the calibration lasted: less than half of what gain may be
    supply_drift_most: float = 0.01  # of the unit's supply; what a run allows itself
    noise_most_v: float = 0.005  # rms of one sample at rest: 0.4 counts, a quarter of the demo product's limit on noise
    input_least_ohm: float = 1e6  # a 10 kilohm track is a source of at most 2.5 kilohm: loaded by at most 0.25 %
    reference_tolerance: float = 0.001  # half width of the precision reference with its dividers (common practice, no source)

    # The clocks.
    clock_most: float = 0.001  # the rig's against the host's: a thousandth of a return time of 12 ms is a sample's tenth
    sample_clock_most: float = 0.001  # samples against the rig's clock: one sample in a thousand, as in a run

    # What the decision plan takes for granted.
    lag1_most: float = 0.2  # correlation of successive peaks up to which its risks hold (decision record 8)
    warm_up_most: float = 0.10  # peaks of the first two flicks after a pause against the later ones; runs leave a round of flicks out

    def __post_init__(self) -> None:
        for one in fields(self):
            value = getattr(self, one.name)
            if not value > 0:
                raise ConfigurationError(one.name, value, "a number above 0")
        for share in ("warn_share", "flick_reach_least"):
            if getattr(self, share) > 1:
                raise ConfigurationError(share, getattr(self, share), "at most 1")
        for name in ("stroke", "place"):
            least, most = getattr(self, f"{name}_least_deg"), getattr(self, f"{name}_most_deg")
            if least >= most:
                raise ConfigurationError(f"{name}_least_deg", least, f"below {name}_most_deg, {most:g}")
