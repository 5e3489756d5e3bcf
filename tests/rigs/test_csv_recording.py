"""Recordings as CSV: what is read, what is refused, and in which words. Format: RFC 4180; header and limits by the product's contract."""

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rigs.replayed.csv_columns import ThreeColumns
from rigs.replayed.csv_even import read_even
from rigs.replayed.csv_fast import read_fast
from rigs.replayed.csv_header import Header, read_header
from rigs.replayed.csv_plain import read_plainly
from rigs.replayed.csv_recording import COLUMNS, read_recording
from station.errors import RecordingUnreadable

Reader = Callable[[Path, Header, float, Callable[[float], None]], ThreeColumns | None]
ROWS = "".join(f"{i * 0.000125:.6f},{1.65 + 0.001 * (i % 3):.4f},1.6{i % 5}\n" for i in range(200))


def written(folder: Path, data: str | bytes) -> Path:
    path = folder / "recording.csv"
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return path


LEGAL: dict[str, str | bytes] = {
    "lf": "t_s,x_v,y_v\n" + ROWS,
    "crlf": ("t_s,x_v,y_v\n" + ROWS).replace("\n", "\r\n"),
    "byte-order mark": b"\xef\xbb\xbft_s,x_v,y_v\n" + ROWS.encode(),
    "comments": "# Mossgate Works, bench 2\n#\n# lot ML-2607\nt_s,x_v,y_v\n" + ROWS,
    "mark, comments, crlf": b"\xef\xbb\xbf# exported\r\nt_s,x_v,y_v\r\n" + ROWS.replace("\n", "\r\n").encode(),
    "quoted header": '"t_s","x_v","y_v"\n' + ROWS,
    "spaced header": "t_s, x_v, y_v\n" + ROWS,
    "quoted cells": "t_s,x_v,y_v\n" + "".join(",".join(f'"{cell}"' for cell in row.split(",")) + "\n" for row in ROWS.splitlines()),
    "no last line end": "t_s,x_v,y_v\n" + ROWS.rstrip("\n"),
    "blank lines at the end": "t_s,x_v,y_v\n" + ROWS + "\n\n",
    "trailing blanks": "t_s,x_v,y_v\n" + ROWS.replace("\n", " \n"),
    "a further column": "t_s,note,x_v,y_v\n" + "".join(row.replace(",", ',"so, so",', 1) + "\n" for row in ROWS.splitlines()),
    "another order": "y_v,t_s,x_v\n" + "".join("{2},{0},{1}\n".format(*row.split(",")) for row in ROWS.splitlines()),
}


@pytest.mark.parametrize("data", LEGAL.values(), ids=LEGAL.keys())
def test_every_legal_dress_gives_the_same_samples(tmp_path: Path, data: str | bytes) -> None:
    recording = read_recording(written(tmp_path, data), supply_v=3.28)
    assert recording.rate_hz == pytest.approx(8000.0, rel=1e-9)
    assert recording.distrust == ()
    assert recording.supply_v == 3.28
    assert recording.commanded is None
    np.testing.assert_array_equal(recording.x_v, [float(f"{1.65 + 0.001 * (i % 3):.4f}") for i in range(200)])
    np.testing.assert_array_equal(recording.y_v, [float(f"1.6{i % 5}") for i in range(200)])


def test_columns_by_other_names(tmp_path: Path) -> None:
    path = written(tmp_path, "CH2,Time [s],CH1\n1.1,-0.5,2.1\n1.2,-0.4995,2.2\n1.3,-0.499,2.3\n")
    recording = read_recording(path, columns=("Time [s]", "CH1", "CH2"))
    assert recording.t_first_s == -0.5
    assert recording.rate_hz == pytest.approx(2000.0)
    assert recording.x_v.tolist() == [2.1, 2.2, 2.3]
    assert recording.y_v.tolist() == [1.1, 1.2, 1.3]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "no header line"),
        (b"# only a comment\n", "no header line"),
        (b"t_s,x_v,y_v\n", "0 samples"),
        (b"t_s,x_v,y_v\n0,1,1\n", "1 samples"),
        (b"t_s,x_v\n0,1\n", "line 1: column y_v is missing"),
        (b"t_s,x_v,y_v,x_v\n0,1,1,1\n", "column x_v is there 2 times"),
        (b"t_s;x_v;y_v\n0;1;1\n", "column t_s is missing in the header 't_s;x_v;y_v'"),
        (b"0,1.65,1.65\n0.001,1.65,1.65\n", "column t_s is missing"),
        (b"#c\nt_s,x_v,y_v\n0,1,1\n0.001,one,1\n", "line 4, column x_v is 'one'; expected a finite number"),
        (b"t_s,x_v,y_v\n0,1,1\n0.001,,1\n", "line 3, column x_v is empty"),
        (b"t_s,x_v,y_v\n0,1,1\n0.001,1,nan\n", "line 3, column y_v is 'nan'"),
        (b"t_s,x_v,y_v\n0,inf,1\n0.001,1,1\n", "line 2, column x_v is 'inf'"),
        (b"t_s,x_v,y_v\n0,1e400,1\n0.001,1,1\n", "line 2, column x_v is '1e400'"),
        (b"t_s,x_v,y_v\n0,1_0,1\n0.001,1,1\n", "line 2, column x_v is '1_0'"),
        (b't_s,x_v,y_v\n0,"1,65",1\n0.001,1,1\n', "line 2, column x_v is '1,65'"),
        (b"t_s,x_v,y_v\n0,1,1\n0.001,1\n", "line 3 has 2 cells; expected 3"),
        (b"t_s,x_v,y_v\n0,1,1\n0.001,1,1,1\n", "line 3 has 4 cells; expected 3"),
        (b"t_s,x_v,y_v\n0,1,1\n# pause\n0.001,1,1\n", "line 3 has 1 cells"),
        (b"t_s,x_v,y_v\n0,1,1\n0.001,\xb5,1\n", "line 3, column x_v is"),
        (b"t_s,x_\xb5,y_v\n0,1,1\n", "line 1 is not UTF-8"),
        ("t_s,x_v,y_v\n0,1,1\n".encode("utf-16"), "UTF-16"),
        (b"t_s,x_v,y_v\r0,1,1\r0.001,1,1\r", "bare carriage return"),
        (b"\x00" * 100_000, "longer than 65536 bytes"),
        (b't_s,x_v,y_v\n0,1,1\n0.001,"1,1\n', "line 3"),
    ],
)
def test_what_is_no_recording_is_refused_in_one_line(tmp_path: Path, data: bytes, words: str) -> None:
    with pytest.raises(RecordingUnreadable) as caught:
        read_recording(written(tmp_path, data))
    assert words in str(caught.value)
    assert "recording.csv" in str(caught.value)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 300 + len(str(tmp_path))


def test_missing_files_and_folders_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordingUnreadable, match="No such file"):
        read_recording(tmp_path / "absent.csv")
    with pytest.raises(RecordingUnreadable, match="not a regular file"):
        read_recording(tmp_path)
    os.mkfifo(tmp_path / "pipe.csv")
    with pytest.raises(RecordingUnreadable, match="not a regular file"):
        read_recording(tmp_path / "pipe.csv")
    with pytest.raises(RecordingUnreadable, match="null byte"):
        read_recording(Path("a\0b.csv"))


CELLS = st.one_of(
    st.floats(-10, 10).map(repr),
    st.decimals(-10, 10, places=4).map(str),
    st.sampled_from(
        ["", " ", "nan", "inf", "1e400", "+.5", "5.", "1e-3", "1E+2", '"2.5"', " 1", "1 ", "x", "1_0", "0x1", "-", ".", "#", "1;2", "é"]
    ),
)


READERS = {"even": read_even, "fast": read_fast}


@pytest.mark.parametrize("reader", READERS.values(), ids=READERS.keys())
@settings(max_examples=300, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rows=st.lists(st.lists(CELLS, min_size=2, max_size=4), min_size=1, max_size=4), end=st.sampled_from(["\n", "\r\n"]), cut=st.booleans()
)
def test_quick_readers_agree_with_the_plain_one_or_step_back(
    tmp_path: Path, reader: Reader, rows: list[list[str]], end: str, cut: bool
) -> None:
    body = "".join(",".join(row) + end for row in rows)
    path = written(tmp_path, "t_s,x_v,y_v" + end + (body.removesuffix(end) if cut else body))
    header = read_header(path, COLUMNS)
    quick = reader(path, header, 10.0, lambda share: None)
    if quick is not None:
        plain = read_plainly(path, header, 10.0, lambda share: None)
        for one, other in zip(quick, plain, strict=True):
            np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("style", ["{:.6f}", "{:.9f}", "{:08.4f}", "{:+.5f}"])
def test_evenly_printed_files_are_read_to_the_last_bit_across_blocks_and_layouts(tmp_path: Path, style: str, end: str) -> None:
    """Against Python's own correctly rounded float(); time crosses zero, ten and a hundred seconds, and several blocks of the reader."""
    rng = np.random.default_rng(7)
    time_s = np.concatenate([np.arange(-2_000, 20_000) / 8_000, 9.0 + np.arange(20_000) / 8_000, 99.0 + np.arange(20_000) / 8_000])
    cells = [[style.format(value) for value in row] for row in np.column_stack([time_s, rng.uniform(0, 3.3, (len(time_s), 2))])]
    path = written(tmp_path, "t_s,x_v,y_v" + end + end.join(",".join(row) for row in cells))
    found = read_even(path, read_header(path, COLUMNS), 10.0, lambda share: None)
    assert found is not None
    np.testing.assert_array_equal(np.column_stack(found), [[float(cell) for cell in row] for row in cells])


def test_one_odd_row_in_a_long_even_file_is_named(tmp_path: Path) -> None:
    rows = [f"{index / 8000:.6f},1.650000,1.650000" for index in range(60_000)]
    rows[45_678] = rows[45_678].replace("1.650000", "1.65000o", 1)
    with pytest.raises(RecordingUnreadable, match=r"line 45680, column x_v is '1.65000o'"):
        read_recording(written(tmp_path, "\n".join(["t_s,x_v,y_v", *rows])))


def test_each_kind_of_print_has_its_reader(tmp_path: Path) -> None:
    even = written(tmp_path, "t_s,x_v,y_v\n" + ROWS)
    assert read_even(even, read_header(even, COLUMNS), 20.0, lambda share: None) is not None
    rng = np.random.default_rng(3)
    shortest = "".join(f"{index / 8000!r},{x!r},{x!r}\n" for index, x in enumerate(rng.uniform(1, 2, 2_000).tolist()))
    uneven = written(tmp_path, "t_s,x_v,y_v\n" + shortest)
    header = read_header(uneven, COLUMNS)
    assert read_even(uneven, header, 40.0, lambda share: None) is None
    assert read_fast(uneven, header, 40.0, lambda share: None) is not None
    exponents = written(tmp_path, "t_s,x_v,y_v\n0.0e0,1.6e0,1.6e0\n1.0e-3,1.6e0,1.6e0\n")
    assert read_even(exponents, read_header(exponents, COLUMNS), 20.0, lambda share: None) is None
    assert read_recording(exponents).rate_hz == pytest.approx(1000.0)


@pytest.mark.parametrize("reader", READERS.values(), ids=READERS.keys())
@pytest.mark.parametrize("row_bytes", [1.0, 1000.0])
def test_a_wrong_guess_of_the_row_length_loses_nothing(tmp_path: Path, reader: Reader, row_bytes: float) -> None:
    path = written(tmp_path, "t_s,x_v,y_v\n" + ROWS)
    columns = reader(path, read_header(path, COLUMNS), row_bytes, lambda share: None)
    assert columns is not None
    assert [len(column) for column in columns] == [200, 200, 200]
    assert columns[0][-1] == 199 * 0.000125


def test_progress_grows_to_the_whole(tmp_path: Path) -> None:
    shares: list[float] = []
    read_recording(written(tmp_path, "t_s,x_v,y_v\n" + ROWS), progress=shares.append)
    assert shares == sorted(shares)
    assert 0.9 < shares[-1] <= 1.0
