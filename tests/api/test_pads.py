"""Pad maps are read at the start, and a wrong one names file and key."""

from pathlib import Path

import pytest

from api.pads import read_pad_maps
from station.errors import ConfigurationError
from station.ports.rework import Pads

GOOD = 'product = "plover-1"\n[left.x]\nsignal = "LX"\nground = "G1"\n'


def test_pads_are_known_by_stick_and_axis(tmp_path: Path) -> None:
    (tmp_path / "plover-1.toml").write_text(GOOD)
    (tmp_path / "plover-1.svg").write_text("<svg/>")
    maps = read_pad_maps(tmp_path)
    assert maps["plover-1"].pads == {"left": {"x": Pads("LX", "G1")}}
    assert read_pad_maps(tmp_path / "absent") == {}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("product = ", "can be read"),
        (GOOD.replace('product = "plover-1"', ""), "product missing"),
        (GOOD.replace("[left.x]", "[left.z]"), "left is"),
        (GOOD.replace('ground = "G1"', ""), "left.x is"),
        (GOOD.replace('"LX"', "7"), "left.x is"),
        (GOOD + 'more = "x"', "left.x is"),
        ('product = "plover-1"\nleft = 3', "left is 3"),
        ('product = "plover-1"\n[left]\nx = 3', "left.x is 3"),
    ],
)
def test_a_wrong_map_names_its_file_and_key(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "plover-1.toml").write_text(text)
    (tmp_path / "plover-1.svg").write_text("<svg/>")
    with pytest.raises(ConfigurationError, match=r"plover-1\.toml") as caught:
        read_pad_maps(tmp_path)
    assert words in str(caught.value)


def test_a_map_without_its_picture_is_refused(tmp_path: Path) -> None:
    (tmp_path / "plover-1.toml").write_text(GOOD)
    with pytest.raises(ConfigurationError, match="picture"):
        read_pad_maps(tmp_path)
