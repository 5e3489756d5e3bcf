"""Which ill shows in which figure: one line per figure, its words, its range among the limits, and what to do when it is out."""

from dataclasses import dataclass
from typing import Final

from station.prove.calibration_figures import Figure, Measured
from station.prove.calibration_limits import CalibrationLimits
from station.prove.calibration_words import shown, shown_range

TIP: Final = "change the tip of the finger"
SERVO: Final = "check the servo, its supply and its horn; change it if it stays so"
CONVERTER: Final = "check the sampler and its reference; have it adjusted"


@dataclass(frozen=True, slots=True)
class Rule:
    """least, most: names in CalibrationLimits, "" where the range has no such end. ill, advice: "" where the figure has no range.

    both: the range reaches as far below zero as above. shown: see Figure. inverse: the limit is of the figure's inverse.
    above: the ill where the figure is above its range, if another than below. behind: ills which, when found, explain this one as well:
    it is then told of, but not named as an ill of its own.
    """

    figure: str
    label: str
    unit: str
    ill: str = ""
    advice: str = ""
    least: str = ""
    most: str = ""
    both: bool = False
    shown: bool = False
    inverse: bool = False
    above: str = ""
    behind: tuple[str, ...] = ()

    def figure_of(self, measured: Measured, limits: CalibrationLimits) -> Figure:
        least = float(getattr(limits, self.least)) if self.least else None
        most = float(getattr(limits, self.most)) if self.most else None
        if self.inverse and most is not None:
            most = 1.0 / most
        if self.both and most is not None:
            least = -most
        return Figure(measured, self.unit, least, most, self.shown)

    def ill_of(self, figure: Figure) -> str:
        """Name of the ill that a figure outside its range shows."""
        high = figure.most is not None and figure.measured.value > figure.most
        return self.above if high and self.above else self.ill

    def sentence(self, figure: Figure, place: str, cause: str = "") -> str:
        """Names the ill, the figure, its value, its range and what to do. cause: another ill that was found and explains this one."""
        where = f" of {place}" if place else ""
        value, u = shown(figure.measured.value, self.unit), shown(figure.measured.u, self.unit)
        says = f"{self.label}{where} is {value} (u {u}), expected {shown_range(figure.least, figure.most, self.unit)}"
        if not figure.told:
            return f"Not told well enough: {says}; do the step again."
        if cause:
            return f"Perhaps by the {cause}: {says}; see again once that is cured."
        return f"{_capital(self.ill_of(figure))}: {says}; {self.advice}, then calibrate again."


DIRECTION: Final = (
    Rule("contact_deg", "contact point", "deg"),
    Rule("full_deg", "full deflection", "deg"),
    Rule("release_deg", "release point", "deg"),
    Rule("slope_share_deg", "slope of the map", "share/deg"),
    Rule(
        "stroke_deg",
        "travel from contact to release",
        "deg",
        "worn finger",
        f"{TIP}, and check the stroke of the servo",
        "stroke_least_deg",
        "stroke_most_deg",
        above="short stroke of the servo",
    ),
    Rule(
        "place_deg",
        "middle between contact and release",
        "deg",
        "finger or unit out of place",
        "check the seat of the unit in the clamp and the screw of the finger",
        "place_least_deg",
        "place_most_deg",
        behind=("loose clamp", "backlash", "short stroke of the servo"),
    ),
    Rule(
        "residual", "departure of the map from its straight parts", "share", "uneven map", "clamp another good unit", most="residual_most"
    ),
    Rule("backlash_deg", "backlash", "deg", "backlash", "tighten the horn; change the gear if it stays so", most="backlash_most_deg"),
    Rule("latency_s", "latency", "s", "slow servo", SERVO, most="latency_most_s"),
    Rule("slew_deg_s", "slew", "deg/s", "slow servo", SERVO, "slew_least_deg_s"),
    Rule("push_s", "push from 10 % to 90 %", "s"),
    Rule(
        "flick_reach",
        "hold of a flick against full deflection",
        "share",
        "weak servo",
        SERVO,
        "flick_reach_least",
        behind=("slow servo", "short stroke of the servo"),
    ),
    Rule(
        "latency_jitter_s",
        "jitter of the latency",
        "s",
        "jitter of the servo",
        SERVO,
        most="latency_jitter_most_s",
        behind=("loose clamp", "noisy sampler"),
    ),
    Rule("release_s", "time from order to release", "s"),
    Rule(
        "release_jitter_s",
        "jitter of the release",
        "s",
        "jitter of the release",
        f"{TIP} and check the servo",
        most="release_jitter_most_s",
        behind=("loose clamp", "jitter of the servo", "noisy sampler"),
    ),
    Rule("peak", "mean far-side peak, of reach", "share"),
)
"""Of each direction."""

WHOLE: Final = (
    Rule(
        "contact_sd_deg",
        "scatter of the contact from push to push",
        "deg",
        "loose clamp",
        "tighten the clamp and see that the unit cannot move in it",
        most="contact_sd_most_deg",
    ),
    Rule(
        "release_sd_deg",
        "scatter of the release angle",
        "deg",
        "jitter of the release",
        TIP,
        most="release_sd_most_deg",
        behind=("noisy sampler",),
    ),
    Rule(
        "offset_v",
        "offset",
        "V",
        "offset of the sampler",
        CONVERTER,
        most="offset_most_v",
        both=True,
        behind=("bent scale of the sampler",),
    ),
    Rule(
        "gain_error",
        "error of reference or gain",
        "share",
        "wrong reference or gain of the sampler",
        CONVERTER,
        most="gain_most",
        both=True,
    ),
    Rule("bow", "bend of the scale", "share", "bent scale of the sampler", CONVERTER, most="bow_most", both=True),
    Rule(
        "gain_change",
        "change of the gain meanwhile",
        "share",
        "drifting sampler",
        "let the rig warm up; have reference and supply of the sampler checked if it stays so",
        most="drift_most",
        both=True,
        behind=("noisy sampler",),
    ),
    Rule(
        "supply_change",
        "change of the unit's supply meanwhile",
        "share",
        "sagging supply",
        "check the unit's supply and its contacts",
        most="supply_drift_most",
        both=True,
        behind=("noisy sampler", "drifting sampler"),
    ),
    Rule("supply_v", "the unit's supply", "V"),
    Rule("noise_x_v", "noise at rest, x", "V", "noisy sampler", "check wiring and screen, clamp another good unit", most="noise_most_v"),
    Rule("noise_y_v", "noise at rest, y", "V", "noisy sampler", "check wiring and screen, clamp another good unit", most="noise_most_v"),
    Rule("reading_noise_v", "noise of a level's reading", "V"),
    Rule("load_s", "load of the sampler's input", "S", "sampler loads the wiper", CONVERTER, most="input_least_ohm", inverse=True),
    Rule("input_ohm", "resistance of the sampler's input", "ohm"),
    Rule(
        "clock_error",
        "rig's clock against this computer's",
        "share",
        "wrong clock of the rig",
        "check both clocks",
        most="clock_most",
        both=True,
    ),
    Rule(
        "sample_clock_error",
        "sample clock against the rig's clock",
        "share",
        "wrong sample clock",
        "have the sampler's timing checked",
        most="sample_clock_most",
        both=True,
    ),
    Rule(
        "lag1",
        "correlation of successive peaks",
        "1",
        "correlated flicks",
        "pause longer between flicks; look for a loose unit or a warming stick",
        most="lag1_most",
        both=True,
        shown=True,
    ),
    Rule(
        "warm_up",
        "first peaks after a pause against later ones",
        "share",
        "warm-up of the stick",
        "let runs leave out more flicks (warm_up_flicks of the specification)",
        most="warm_up_most",
        both=True,
        shown=True,
    ),
)
"""Of the rig as a whole."""


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
