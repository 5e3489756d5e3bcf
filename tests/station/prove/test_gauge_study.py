"""Gauge studies as CSV: what is read and what is refused."""

import numpy as np
import pytest

from station.errors import StudyUnreadable
from station.prove.gauge_study import parse_study

ROWS: list[tuple[str, ...]] = [("1", "A", "1", "0.5"), ("1", "A", "2", "0.6"), ("1", "B", "1", "0.7"), ("1", "B", "2", "0.4")]
ROWS += [("2", "A", "1", "1.5"), ("2", "A", "2", "1.6"), ("2", "B", "1", "1.7"), ("2", "B", "2", "1.4")]


def text_of(rows: list[tuple[str, ...]], header: str = "part,operator,trial,value") -> str:
    return "\n".join([header, *(",".join(row) for row in rows)]) + "\n"


def test_order_of_rows_and_columns_and_dress_do_not_matter() -> None:
    plain = parse_study(text_of(ROWS))
    assert plain.values.shape == (2, 2, 2)
    assert plain.values[1, 0].tolist() == [1.5, 1.6]
    assert plain.parts == ("1", "2")
    assert plain.operators == ("A", "B")
    turned = text_of([(row[3], row[0], "note", row[2], row[1]) for row in ROWS], "value,part,remark,trial,operator")
    dressed = "\ufeff# bench 2\r\n" + text_of(ROWS).replace("\n", "\r\n") + "\r\n"
    shuffled = text_of([ROWS[index] for index in (0, 7, 2, 5, 4, 3, 6, 1)])
    for text in (turned, dressed):
        np.testing.assert_array_equal(parse_study(text).values, plain.values)
    np.testing.assert_array_equal(np.sort(parse_study(shuffled).values[0]), np.sort(plain.values[0]))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no header"),
        ("# nothing\n", "no header"),
        ("part,operator,trial\n1,A,1\n", "column value is missing"),
        ("part,operator,trial,value,part\n", "column part is there twice"),
        (text_of([]), "0 parts"),
        (text_of([row for row in ROWS if row[0] == "1"]), "1 part;"),
        (text_of(ROWS[:-1]), "part 2, operator B has 1 trials; expected 2"),
        (text_of([row for row in ROWS if row[:2] != ("2", "B")]), "part 2, operator B has 0 trials"),
        (text_of([*ROWS, ("2", "B", "3", "1.4")]), "not balanced"),
        (text_of([row for row in ROWS if row[2] == "1"]), "one trial"),
        (text_of([*ROWS[:-1], ("2", "B", "1", "1.4")]), "line 9: part 2, operator B, trial 1 is there twice"),
        (text_of([*ROWS[:-1], ("2", "B", "2", "high")]), "line 9, column value is 'high'; expected a finite number"),
        (text_of([*ROWS[:-1], ("2", "B", "2", "")]), "line 9, column value is empty"),
        (text_of([*ROWS[:-1], ("2", "B", "2", "nan")]), "line 9, column value is 'nan'"),
        (text_of([*ROWS[:-1], ("2", "B", "2", "1e999")]), "line 9, column value"),
        (text_of([*ROWS[:-1], ("2", "", "2", "1.0")]), "line 9, column operator is empty"),
        (text_of([*ROWS[:-1], ("2", "B")]), "line 9 has 2 cells"),
        (text_of([*ROWS[:-1], ("2", '"B', "2", "1.0")]), "line 9"),
    ],
)
def test_what_cannot_be_evaluated_is_refused_in_one_line(text: str, words: str) -> None:
    with pytest.raises(StudyUnreadable) as caught:
        parse_study(text)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
