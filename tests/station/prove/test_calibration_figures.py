"""Figures against their ranges, and the sentences that say which ill a figure shows."""

import json
import math

import pytest

from station.errors import ConfigurationError
from station.prove.calibration_figures import Figure, Measured, value_of
from station.prove.calibration_limits import CalibrationLimits
from station.prove.calibration_rules import DIRECTION, WHOLE, Rule
from station.prove.calibration_words import SCALES, shown, shown_range

LIMITS = CalibrationLimits()
RULES = {rule.figure: rule for rule in (*DIRECTION, *WHOLE)}
NAN = math.nan


@pytest.mark.parametrize(
    ("measured", "least", "most", "shown_", "within"),
    [
        (Measured(5.0, 0.1), None, None, False, True),
        (Measured(NAN, NAN), None, None, False, True),  # a figure without a range is only told
        (Measured(NAN, NAN), None, 6.0, False, False),  # what was not measured has not passed
        (Measured(5.0, 0.1), 4.0, 6.0, False, True),
        (Measured(4.0, 0.1), 4.0, 6.0, False, True),
        (Measured(3.9999, 0.1), 4.0, 6.0, False, False),
        (Measured(5.0, 0.26), 4.0, 6.0, False, False),  # U is more than half of half the range
        (Measured(5.9, 0.1), None, 6.0, False, True),
        (Measured(6.1, 0.1), None, 6.0, False, False),
        (Measured(5.0, 1.6), None, 6.0, False, False),
        (Measured(100.0, 2.0), 99.0, None, False, True),
        (Measured(100.0, 3.0), 99.0, None, False, False),
        (Measured(0.3, 0.1), -0.2, 0.2, True, True),  # beyond, and not shown to be
        (Measured(0.41, 0.1), -0.2, 0.2, True, False),
        (Measured(0.0, 0.13), -0.2, 0.2, True, False),
    ],
)
def test_a_figure_is_within_its_range_and_told_well_enough(
    measured: Measured, least: float | None, most: float | None, shown_: bool, within: bool
) -> None:
    assert Figure(measured, "deg", least, most, shown_).within is within


def test_a_figure_s_document_is_json_and_comes_back() -> None:
    document = json.loads(json.dumps(Figure(Measured(36.9, 0.05), "deg", 37.0, 39.0).document(), allow_nan=False))
    assert document == {"value": 36.9, "u": 0.05, "unit": "deg", "least": 37.0, "most": 39.0, "within": False}
    assert value_of(document) == Measured(36.9, 0.05)
    unknown = Figure(Measured(NAN, NAN), "ohm").document()
    assert (unknown["value"], unknown["u"], unknown["within"]) == (None, None, None)
    assert math.isnan(value_of(unknown).value)


def sentence(name: str, value: float, u: float, place: str = "", cause: str = "") -> str:
    rule = RULES[name]
    return rule.sentence(rule.figure_of(Measured(value, u), LIMITS), place, cause)


def test_a_sentence_names_ill_figure_value_range_and_what_to_do() -> None:
    assert sentence("stroke_deg", 36.5, 0.05, "x+") == (
        "Worn finger: travel from contact to release of x+ is 36.500 deg (u 0.050 deg), expected 37.000 deg to 39.000 deg; "
        "change the tip of the finger, and check the stroke of the servo, then calibrate again."
    )
    assert sentence("stroke_deg", 39.5, 0.05, "x+").startswith("Short stroke of the servo: ")
    assert sentence("slew_deg_s", 800.0, 1.0, "y-").startswith(
        "Slow servo: slew of y- is 800 deg/s (u 1 deg/s), expected at least 1000 deg/s; "
    )
    assert sentence("offset_v", -0.01, 1e-5).startswith(
        "Offset of the sampler: offset is -10.00 mV (u 0.01 mV), expected -6.00 mV to 6.00 mV; "
    )
    assert sentence("latency_jitter_s", 0.001, 1e-4, "x+", "loose clamp").startswith(
        "Perhaps by the loose clamp: jitter of the latency of x+ is "
    )
    assert sentence("latency_jitter_s", 3.9e-4, 1.5e-4, "x+").startswith("Not told well enough: ")
    assert sentence("load_s", 2e-6, 1e-9).endswith(
        "expected at most 1.0000 uS; check the sampler and its reference; have it adjusted, then calibrate again."
    )


@pytest.mark.parametrize("rule", [*DIRECTION, *WHOLE], ids=lambda rule: rule.figure)
def test_every_rule_is_whole(rule: Rule) -> None:
    figure = rule.figure_of(Measured(0.0, 0.0), LIMITS)
    assert rule.unit in SCALES
    assert figure.limited == bool(rule.ill) == bool(rule.advice)
    assert not {rule.ill, rule.above} & set(rule.behind)
    assert set(rule.behind) <= {one.ill for one in RULES.values()} | {one.above for one in RULES.values()}


def test_every_limit_is_used() -> None:
    used = {name for rule in RULES.values() for name in (rule.least, rule.most) if name}
    assert {one for one in LIMITS.__slots__ if not one.startswith(("valid_", "warn_"))} - used == {"reference_tolerance"}


@pytest.mark.parametrize(
    ("figures", "says"),
    [
        ({"valid_days": 0.0}, "valid_days is 0.0; expected a number above 0"),
        ({"slew_least_deg_s": -1.0}, "slew_least_deg_s"),
        ({"gain_most": NAN}, "gain_most"),
        ({"warn_share": 1.2}, "warn_share is 1.2; expected at most 1"),
        ({"stroke_least_deg": 40.0}, "stroke_least_deg is 40.0; expected below stroke_most_deg, 39"),
    ],
)
def test_limits_that_cannot_be_name_the_key(figures: dict[str, float], says: str) -> None:
    with pytest.raises(ConfigurationError, match=says):
        CalibrationLimits(**figures)  # type: ignore[arg-type]


def test_words_of_values_and_ranges() -> None:
    assert (shown(0.0061234, "s"), shown(0.9997, "share"), shown(9.7e6, "ohm"), shown(NAN, "deg")) == (
        "6.123 ms",
        "99.970 %",
        "9700 kohm",
        "not known",
    )
    assert (shown(0.123, "1"), shown_range(None, None, "deg"), shown_range(1.0, None, "deg")) == (
        "0.123",
        "any value",
        "at least 1.000 deg",
    )
