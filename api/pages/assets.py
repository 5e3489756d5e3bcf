"""Where the files sent to browsers lie. The chart library's own scripts are served from its installed package; it is never imported here,
which keeps the service small."""

from importlib.util import find_spec
from pathlib import Path
from typing import Final

from station.errors import ConfigurationError

STATIC: Final = Path(__file__).parent / "static"


def _chart_scripts() -> Path:
    spec = find_spec("bokeh")
    if spec is None or spec.origin is None:
        raise ConfigurationError("bokeh", None, "the package to be installed")
    return Path(spec.origin).parent / "server" / "static" / "js"


CHART_SCRIPTS: Final = _chart_scripts()
