"""The station's configuration: defaults, then a TOML file, then the environment (RESTPOINT_...), then flags. Unknown keys are errors."""

import os
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from platformdirs import user_data_path
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict, TomlConfigSettingsSource

from db.engine import parse_url
from station.errors import ConfigurationError, UsageError
from station.shifts import shift_times

RIG_NAME = r"^[a-z0-9][a-z0-9-]{0,30}$"


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class StationSection(_Section):
    """Who the station is and where it keeps things. database: URL; empty means restpoint.db in the data folder. line: URL of the line
    database, empty for none; its password comes from the environment (PGPASSWORD or PGPASSFILE).

    shifts: clock times, in the station's zone, at which a shift begins; none: a shift is a day. calibration: keys of CalibrationLimits
    that are to be others than their defaults.
    """

    name: Annotated[str, Field(pattern=RIG_NAME)] = "station-1"
    zone: str = "UTC"
    data: Path = Field(default_factory=lambda: user_data_path("restpoint"))
    database: str = ""
    line: str = ""
    specifications: Path | None = None
    keep_pass_every: Annotated[int, Field(ge=1)] = 20
    shifts: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    calibration: dict[str, float] = Field(default_factory=dict)

    @field_validator("shifts")
    @classmethod
    def _clock_times(cls, shifts: tuple[str, ...]) -> tuple[str, ...]:
        try:
            shift_times(shifts)
        except ValueError as problem:
            raise ValueError("clock times such as 06:00, each once") from problem
        return shifts

    @field_validator("line")
    @classmethod
    def _address(cls, line: str) -> str:
        try:
            if line:
                parse_url(line)
        except UsageError as problem:
            raise ValueError("sqlite:///FILE or postgresql://USER@HOST/NAME") from problem
        return line

    @field_validator("zone")
    @classmethod
    def _known(cls, zone: str) -> str:
        try:
            ZoneInfo(zone)
        except (ZoneInfoNotFoundError, ValueError) as problem:
            raise ValueError("a time zone such as UTC or Europe/Berlin") from problem
        return zone


class WebSection(_Section):
    """Where pages and API are served. Any host but loopback needs a file of tokens.

    network_start: whether a run may be started from another machine; the finger moves where nobody may be watching.
    """

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 8000
    tokens: Path | None = None
    allowed_hosts: tuple[str, ...] = ()
    network_start: bool = False


class RigSection(_Section):
    """One rig. port: anything pyserial opens: a device, a pty, socket://host:port. rig_id: the name burnt into it, "" to take any."""

    name: Annotated[str, Field(pattern=RIG_NAME)]
    port: Annotated[str, Field(min_length=1)]
    rig_id: Annotated[str, Field(max_length=16)] = ""
    baud: Annotated[int, Field(ge=9600, le=12_000_000)] = 1_000_000


class StationConfig(BaseSettings):
    """Everything `restpoint serve` needs to know."""

    model_config = SettingsConfigDict(frozen=True, extra="forbid", env_prefix="RESTPOINT_", env_nested_delimiter="__")

    station: StationSection = StationSection()
    web: WebSection = WebSection()
    rigs: tuple[RigSection, ...] = ()

    @property
    def database_url(self) -> str:
        return self.station.database or f"sqlite:///{self.station.data.absolute() / 'restpoint.db'}"

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Flags first, then the environment, then the file named by `toml_file`."""
        return init_settings, env_settings, TomlConfigSettingsSource(settings_cls)


def load_config(file: Path | None, flags: dict[str, Any]) -> StationConfig:
    """Configuration from all sources. Raises ConfigurationError naming key, value and expectation; the file must exist if named."""
    if file is not None and not file.is_file():
        raise ConfigurationError("(file)", str(file), "a TOML file that can be read")

    class FromFile(StationConfig):
        model_config = SettingsConfigDict(**{**StationConfig.model_config, "toml_file": file})

    try:
        config = FromFile(**flags)
    except ValidationError as problem:
        first = min(problem.errors(), key=lambda one: one["type"] != "extra_forbidden")
        key = ".".join(str(part) for part in first["loc"])
        missing, unknown = first["type"] == "missing", first["type"] == "extra_forbidden"
        expected = "this key to be given" if missing else "no such key" if unknown else _plain(first["msg"])
        raise ConfigurationError(key, None if missing else first["input"], expected) from problem
    except ValueError as problem:  # TOML that cannot be read, or an environment variable that is no JSON where one is wanted
        raise ConfigurationError("(file)" if file else "(environment)", str(file or ""), f"valid TOML: {problem}") from problem
    _require_distinct(config)
    return config


def resolved(file: Path | None, path: Path) -> Path:
    """A path of the configuration, relative to its file."""
    return path if path.is_absolute() or file is None else Path(os.path.abspath(file.parent / path))


def _plain(message: str) -> str:
    return message.removeprefix("Value error, ").replace("Input should be ", "")


def _require_distinct(config: StationConfig) -> None:
    for key in ("name", "port"):
        values = [getattr(rig, key) for rig in config.rigs]
        twice = next((value for value in values if values.count(value) > 1), None)
        if twice is not None:
            raise ConfigurationError(f"rigs.{key}", twice, "each rig to have its own")
