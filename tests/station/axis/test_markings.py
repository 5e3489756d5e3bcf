"""Capacitor codes and values against the reference list (IEC 60062, IEC 60063, EIA-198; see tests/data/part_values.json)."""

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.axis.markings import LIMIT_F, Part, marking_of, parse_capacitance, pretty
from station.axis.preferred import nearest, next_down, next_up, series
from station.errors import MarkingError

DATA: dict[str, Any] = json.loads((Path(__file__).parents[2] / "data" / "part_values.json").read_text())


@pytest.mark.parametrize(("code", "farads"), DATA["marking_codes"].items())
def test_codes_both_ways(code: str, farads: float) -> None:
    assert parse_capacitance(code) == Part(farads)
    assert marking_of(farads) == code


@pytest.mark.parametrize(("letter", "percent"), DATA["tolerance_percent"].items())
def test_tolerance_letters(letter: str, percent: list[float]) -> None:
    part = parse_capacitance(f"334{letter}")
    assert (part.tolerance_low, part.tolerance_high) == pytest.approx((percent[0] / 100, percent[1] / 100))


@pytest.mark.parametrize(("letter", "picofarads"), DATA["tolerance_picofarad"].items())
def test_picofarad_letters_below_ten_picofarads(letter: str, picofarads: float) -> None:
    part = parse_capacitance(f"4R7{letter}")
    assert (part.tolerance_low, part.tolerance_high) == pytest.approx((-picofarads / 4.7, picofarads / 4.7))
    with pytest.raises(MarkingError, match="below 10 pF"):
        parse_capacitance(f"334{letter}")


SAME = [
    "3.3e-7",
    "0.00000033",
    "3.3E-7",
    "3.3e-7F",
    "0.33uF",
    "0.33 uF",
    "0.33 µF",
    "0.33 μF",
    ".33u",
    "330n",
    "330nF",
    "330 nF",
    "330000p",
    "u33",
    "334",
]


@pytest.mark.parametrize("text", SAME)
def test_one_value_many_ways(text: str) -> None:
    assert parse_capacitance(text) == Part(3.3e-7)


@pytest.mark.parametrize(
    ("text", "farads"),
    [
        ("4n7", 4.7e-9),
        ("n33", 3.3e-10),
        ("4R7", 4.7e-12),
        ("R47", 4.7e-13),
        ("p68", 6.8e-13),
        ("3u3", 3.3e-6),
        ("479", 4.7e-12),
        ("100", 1e-11),
    ],
)
def test_letter_in_place_of_the_point(text: str, farads: float) -> None:
    """Source: IEC 60062 letter code (from memory); 9 as third figure for a tenth is common marking."""
    assert parse_capacitance(text).capacitance_f == farads


@pytest.mark.parametrize("text", ["330nF K", "330nK", "0.33uF ±10%", "330n +/-10 %", "334 K"])
def test_tolerance_after_a_value(text: str) -> None:
    assert parse_capacitance(text) == Part(3.3e-7, -0.1, 0.1)


@pytest.mark.parametrize("text", ["0", "0.0", "none", "None", "0uF", "0e0"])
def test_no_part(text: str) -> None:
    assert parse_capacitance(text) == Part(0.0)


@pytest.mark.parametrize(
    ("text", "clue"),
    [
        ("034", "begins with 0"),
        ("33", "330n"),
        ("3300", "330n"),
        ("", "cannot be read"),
        ("-1e-7", "cannot be read"),
        ("334Q", "334K"),
        ("1.5", "less than 0.001"),
        ("5e3", "less than 0.001"),
        ("10000uF", "less than 0.001"),
        ("nan", "cannot be read"),
        ("inf", "cannot be read"),
        ("330 ohm", "cannot be read"),
        ("n", "cannot be read"),
    ],
)
def test_wrong_codes_say_what_was_expected(text: str, clue: str) -> None:
    with pytest.raises(MarkingError, match=clue) as caught:
        parse_capacitance(text)
    assert repr(text) in str(caught.value)
    assert "expected" in str(caught.value)


@given(st.sampled_from(series("E24", 1e-12, 0.9e-3)))
def test_every_preferred_value_survives_its_marking(farads: float) -> None:
    assert parse_capacitance(marking_of(farads)).capacitance_f == farads
    assert parse_capacitance(pretty(farads)).capacitance_f == farads


@given(st.integers(min_value=100, max_value=999), st.integers(min_value=-12, max_value=-7))
def test_three_figures_survive_as_letter_code(figures: int, exponent: int) -> None:
    farads = float(f"{figures}e{exponent}")
    assert parse_capacitance(marking_of(farads)).capacitance_f == pytest.approx(farads, rel=1e-12)


@given(st.text(max_size=12))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        part = parse_capacitance(text)
    except MarkingError:
        return
    assert 0.0 <= part.capacitance_f < LIMIT_F


def test_for_people() -> None:
    assert [pretty(one) for one in (0.0, 4.7e-12, 4.7e-8, 1e-7, 3.3e-7, 1e-5)] == ["none", "4.7 pF", "47 nF", "0.1 uF", "0.33 uF", "10 uF"]
    assert [marking_of(one) for one in (0.0, 1.25e-7, 4.7e-12, 4.7e-13)] == ["none", "125n", "4R7", "R47"]
    with pytest.raises(MarkingError, match="no marking"):
        marking_of(-1e-7)


@pytest.mark.parametrize("name", ["E3", "E6", "E12", "E24"])
def test_series_mantissas(name: str) -> None:
    expected = DATA["series_mantissas"][name]
    assert series(name, 1e-9, 9.99e-9) == pytest.approx([one * 1e-10 for one in expected], rel=1e-12)


@pytest.mark.parametrize("name", ["E3", "E6", "E12"])
def test_series_between_two_values(name: str) -> None:
    assert list(series(name, 1e-7, 1e-6)) == DATA["series_100nF_to_1uF"][name]


@pytest.mark.parametrize("name", ["E6", "E12"])
def test_neighbours_in_a_series(name: str) -> None:
    choice = DATA["preferred_choice"]
    for index, target in enumerate(choice["target"]):
        found = (next_up(target, name), next_down(target, name), nearest(target, name))
        assert found == (choice[name]["up"][index], choice[name]["down"][index], choice[name]["nearest"][index])


def test_unknown_series_and_empty_range() -> None:
    with pytest.raises(MarkingError, match="E3, E6, E12, E24"):
        series("E7", 1e-9, 1e-8)
    with pytest.raises(MarkingError, match="holds no values"):
        series("E6", 1e-8, 1e-9)
