"""A specification: what a product must meet. Read from TOML, checked key by key, never edited in place."""

import hashlib
import tomllib
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from station.errors import SpecificationError

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Share = Annotated[float, Field(gt=0, lt=1)]
Name = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")]


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Host(_Section):
    """What the product's own controller does with the signal."""

    supply_v: Annotated[float, Field(gt=0.5, le=30)]
    bits: Annotated[int, Field(ge=4, le=16)]
    report_interval_s: Annotated[float, Field(gt=0, le=1)]
    neutral_zone_counts: NotNegative


class Stick(_Section):
    """The stick module as its maker states it. `names` lists the sticks of a unit."""

    track_ohm: Positive
    track_tolerance: Annotated[float, Field(ge=0, lt=1)]
    series_ohm: NotNegative
    rest_counts: NotNegative
    reach_counts: Positive
    names: Annotated[tuple[Name, ...], Field(min_length=1)] = ("main",)


class Limits(_Section):
    rest_error_counts: NotNegative
    reach_error_counts: NotNegative
    rest_shift_counts: NotNegative
    noise_counts: NotNegative
    cross_axis_counts: NotNegative
    return_s: NotNegative
    added_lag_s: NotNegative
    settle_s: NotNegative
    settle_band_counts: Positive


class Decision(_Section):
    """How units are decided. trial_runs: whether runs may start on a rig without a valid calibration; they end as invalid."""

    over_share_good: Share
    over_share_bad: Share
    producer_risk: Annotated[float, Field(gt=0, lt=0.5)]
    consumer_risk: Annotated[float, Field(gt=0, lt=0.5)]
    flicks_max: Annotated[int, Field(ge=1, le=100_000)]
    mode: Literal["guarded", "count", "normal-model"]
    sd_floor_counts: NotNegative = 0.29
    guard_band_counts: NotNegative = 0.0
    audit_share: Annotated[float, Field(ge=0, le=1)] = 0.02
    warm_up_flicks: Annotated[int, Field(ge=0, le=100)] = 1
    trial_runs: bool = False

    @model_validator(mode="after")
    def _good_below_bad(self) -> Self:
        if self.over_share_good >= self.over_share_bad:
            raise SpecificationError(
                "decision.over_share_good", self.over_share_good, f"less than decision.over_share_bad ({self.over_share_bad})"
            )
        return self


class Stock(_Section):
    """Capacitors on the bench. `tolerance` is theirs, as a share; `asked_chance` is asked of advice."""

    values_f: Annotated[tuple[Annotated[float, Field(gt=0, lt=1e-3)], ...], Field(min_length=1)]
    tolerance: Annotated[float, Field(ge=0, lt=1)]
    asked_chance: Share = 0.5


class Flick(_Section):
    """Timing of one flick. Optional: the defaults suit thumbsticks of 40 to 90 Hz (chosen on emulated data, decision 3)."""

    hold_s: Annotated[float, Field(ge=0.03, le=0.2)] = 0.06
    free_s: Annotated[float, Field(ge=0.05, le=0.3)] = 0.15


class Rework(_Section):
    """The way back of failed units. tries_max: parts tried on a unit before it is scrapped for its stick module (chosen, no source)."""

    tries_max: Annotated[int, Field(ge=1, le=20)] = 3


class Specification(_Section):
    name: Name
    revision: Annotated[str, Field(pattern=r"^[A-Za-z0-9.]{1,10}$")]
    host: Host
    stick: Stick
    limits: Limits
    decision: Decision
    stock: Stock
    flick: Flick = Flick()
    rework: Rework = Rework()

    @property
    def label(self) -> str:
        """Name and revision as printed everywhere: "dunlin-2 A"."""
        return f"{self.name} {self.revision}"

    @property
    def digest(self) -> str:
        """SHA-256 of the canonical JSON of all values that differ from their defaults, so that a new key with a default changes nothing."""
        return hashlib.sha256(self.model_dump_json(exclude_defaults=True).encode()).hexdigest()

    def with_guard_band(self, counts: float) -> "Specification":
        """The same with another guard band: what the rig's own uncertainty asks for. For judging alone: its digest is another."""
        return self.model_copy(update={"decision": self.decision.model_copy(update={"guard_band_counts": counts})})

    def count_v(self, supply_v: float | None = None) -> float:
        """Volts of one count, at the measured supply if there is one."""
        return float((self.host.supply_v if supply_v is None else supply_v) / 2**self.host.bits)


def parse_specification(text: str) -> Specification:
    """Specification from the text of a TOML file. Raises SpecificationError naming key, value and expectation."""
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise SpecificationError("(file)", str(problem), "TOML as shown in the manual") from problem
    return specification_from(values)


def specification_from(values: dict[str, Any]) -> Specification:
    """Specification from nested values. Raises SpecificationError for the first key that cannot be."""
    try:
        return Specification.model_validate(_as_tuples(values))
    except ValidationError as problem:
        first = min(problem.errors(), key=lambda one: one["type"] != "extra_forbidden")
        key = ".".join(str(part) for part in first["loc"])
        missing, unknown = first["type"] == "missing", first["type"] == "extra_forbidden"
        expected = "this key to be given" if missing else "no such key" if unknown else first["msg"].replace("Input should be ", "")
        raise SpecificationError(key, None if missing else first["input"], expected) from problem


def _as_tuples(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _as_tuples(inner) for key, inner in value.items()}
    return tuple(_as_tuples(inner) for inner in value) if isinstance(value, list) else value
