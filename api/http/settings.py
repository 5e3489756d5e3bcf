"""What the doors of the station need to know beside the desk and the queries. Handed in; no global state."""

from dataclasses import dataclass
from datetime import time
from zoneinfo import ZoneInfo

LOOPBACK_HOSTS = ("127.0.0.1", "localhost", "[::1]")


@dataclass(frozen=True, slots=True)
class WebSettings:
    """station, version: shown on every page. zone: IANA name of the zone times are shown in (stored and sent in UTC).

    shifts: clock times at which a shift begins, in that zone; none: a shift is a day.
    allowed_hosts: names the Host header may carry, without port. cautions: local sentences added to the built-in ones.
    serial_pattern: regular expression of a whole serial number, checked in the browser and again here.
    network_start: whether a run may be asked for from another machine than the station's own, where nobody may see the finger.
    streams_max: event streams at the same time; exports_max: exports; body_max_bytes: largest request body.
    """

    station: str
    version: str
    zone: str = "UTC"
    shifts: tuple[time, ...] = ()
    allowed_hosts: tuple[str, ...] = LOOPBACK_HOSTS
    cautions: tuple[str, ...] = ()
    serial_pattern: str = r"[A-Z0-9][A-Z0-9-]{3,31}"
    streams_max: int = 64
    exports_max: int = 2
    body_max_bytes: int = 1_000_000
    network_start: bool = False

    @property
    def zone_info(self) -> ZoneInfo:
        """Raises zoneinfo.ZoneInfoNotFoundError for a name that is not in the zone data."""
        return ZoneInfo(self.zone)
