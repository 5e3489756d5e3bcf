"""Pad maps: a picture and a small TOML file a product, in one folder; read at the start."""

import tomllib
from pathlib import Path
from typing import Any

from station.errors import ConfigurationError
from station.ports.rework import PadMap, Pads
from station.quantities import AXES


def read_pad_maps(folder: Path) -> dict[str, PadMap]:
    """Pad maps by product, from every `*.toml` of a folder with an `*.svg` of the same name beside it; none when there is no folder.

    The TOML names the product, then `signal` and `ground` in a table for each stick and axis, such as [main.x].
    Raises ConfigurationError naming file and key.
    """
    maps = [_read(path) for path in sorted(folder.glob("*.toml"))] if folder.is_dir() else []
    return {one.product: one for one in maps}


def _read(path: Path) -> PadMap:
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8"))
        svg = path.with_suffix(".svg").read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as problem:
        raise ConfigurationError(
            f"pad map {path.name}", str(problem), "a TOML file that can be read, and its picture beside it"
        ) from problem
    product = values.pop("product", None)
    if not isinstance(product, str) or not product:
        raise ConfigurationError(f"pad map {path.name}: product", product, "the name of a product")
    return PadMap(product, svg, {stick: _stick(path, stick, axes) for stick, axes in values.items()})


def _stick(path: Path, stick: str, axes: Any) -> dict[str, Pads]:
    if not isinstance(axes, dict) or not set(axes) <= set(AXES):
        raise ConfigurationError(f"pad map {path.name}: {stick}", axes, "tables x and y")
    return {axis: _pads(f"pad map {path.name}: {stick}.{axis}", named) for axis, named in axes.items()}


def _pads(key: str, named: Any) -> Pads:
    names = named if isinstance(named, dict) else {}
    signal, ground = names.get("signal"), names.get("ground")
    if set(names) != {"signal", "ground"} or not (isinstance(signal, str) and isinstance(ground, str) and signal and ground):
        raise ConfigurationError(key, named, "the names of two pads, signal and ground")
    return Pads(signal, ground)
