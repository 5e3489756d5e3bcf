"""Contrast of the colours in the style sheet, by the arithmetic of WCAG 2.2

(its definitions of "relative luminance" and "contrast ratio")."""

import re

import pytest

from api.pages.assets import STATIC

SHEET = (STATIC / "restpoint.css").read_text(encoding="utf-8")
COLOURS = dict(re.findall(r"--([a-z]+): (#[0-9a-f]{6})", SHEET))
TEXT, LARGE_OR_GRAPHIC = 4.5, 3.0  # WCAG 2.2, success criteria 1.4.3 and 1.4.11


def luminance(colour: str) -> float:
    channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_the_arithmetic_gives_the_standards_ends() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)  # WCAG 2.2: ratios range from 1 to 21
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)  # the lightest grey that passes on white: common practice


@pytest.mark.parametrize("ground", ["ground", "surface", "sunken"])
@pytest.mark.parametrize("ink", ["text", "muted", "link"])
def test_text_stands_out(ink: str, ground: str) -> None:
    assert contrast(COLOURS[ink], COLOURS[ground]) >= TEXT


def test_disabled_buttons_can_still_be_read() -> None:
    assert contrast("#58606a", COLOURS["sunken"]) >= TEXT


@pytest.mark.parametrize("colour", ["x", "call", "calm", "edge", "dark"])
def test_lines_and_shapes_stand_out_on_white(colour: str) -> None:
    assert contrast(COLOURS[colour], "#ffffff") >= LARGE_OR_GRAPHIC


def test_orange_lines_need_their_dark_outline_which_stands_out() -> None:
    assert contrast(COLOURS["y"], "#ffffff") < LARGE_OR_GRAPHIC
    assert contrast(COLOURS["y"], COLOURS["dark"]) >= LARGE_OR_GRAPHIC
    assert re.search(r"svg\.trace \.under \{[^}]*stroke: var\(--dark\)", SHEET)


def test_the_large_word_of_a_failure_stands_out() -> None:
    assert contrast("#ffffff", COLOURS["call"]) >= LARGE_OR_GRAPHIC  # 20 px bold and more is large text (18.66 px bold by WCAG)
    assert re.search(r"\.board li\.holds\.fail \{[^}]*font-size: 1\.25rem", SHEET)


def test_the_agreed_colours_are_the_ones_used() -> None:
    assert (COLOURS["x"], COLOURS["y"], COLOURS["call"]) == ("#0072b2", "#e69f00", "#d55e00")


def test_controls_are_large_enough_to_hit() -> None:
    assert "--touch: 2.75rem" in SHEET  # 44 px at the default size
    assert re.search(r"button, \.button, input, select \{[^}]*min-height: var\(--touch\)", SHEET)


def test_a_printed_failure_is_a_thick_border_and_no_filling() -> None:
    printed = SHEET.partition("@media print")[2]
    assert re.search(r"\.board li\.holds\.fail \{ background: #fff; color: #000; border: 5px solid", printed)
