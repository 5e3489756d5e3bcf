"""Two-way crossed analysis of variance with parts and operators as random effects.

Formulas: expected mean squares of the balanced two-way random model (any handbook of experimental design; checked against a published
worked study and certified data in the tests).
"""

import math
from dataclasses import dataclass
from typing import Final

from scipy.special import fdtrc

from station.prove.gauge_study import GaugeStudy

POOLING_P: Final = 0.25  # the interaction is pooled into repeatability when its p exceeds this (contract of the gauge command)


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the table. f, p: None where nothing is left to compare with (no degrees of freedom, no spread at all)."""

    df: int
    ss: float
    ms: float
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True, slots=True)
class Anova:
    """part, operator, interaction, error: as the data give them, tested as usual when the interaction is kept.

    pooled: the error line after the interaction was pooled into it, None when it was kept. `residual` is the line that stands for
    repeatability, `between` the one that parts and operators are compared with.
    """

    shape: tuple[int, int, int]
    part: Line
    operator: Line
    interaction: Line
    error: Line
    pooled: Line | None

    @property
    def residual(self) -> Line:
        return self.pooled or self.error

    @property
    def between(self) -> Line:
        return self.pooled or self.interaction


@dataclass(frozen=True, slots=True)
class Components:
    """Variances, none negative."""

    repeatability: float
    operator: float
    interaction: float
    part: float

    @property
    def gauge(self) -> float:
        return self.repeatability + self.operator + self.interaction

    @property
    def total(self) -> float:
        return self.gauge + self.part


def analyse(study: GaugeStudy) -> Anova:
    """Table of a balanced study. Sums of squares are taken from centred values, so that a large offset costs no digits."""
    p, o, r = study.values.shape
    centred = study.values - study.values.mean()
    centred = centred - centred.mean()  # the first mean of values with a large offset is itself rounded
    cell, part, operator = centred.mean(axis=2), centred.mean(axis=(1, 2)), centred.mean(axis=(0, 2))
    error = _line(p * o * (r - 1), float(((centred - cell[:, :, None]) ** 2).sum()))
    mixed = _line((p - 1) * (o - 1), float(r * ((cell - part[:, None] - operator) ** 2).sum()))
    mixed = _tested(mixed, error)
    pooled = _line(error.df + mixed.df, error.ss + mixed.ss) if mixed.p is None or mixed.p > POOLING_P else None
    against = pooled or mixed
    return Anova(
        shape=(p, o, r),
        part=_tested(_line(p - 1, float(o * r * (part**2).sum())), against),
        operator=_tested(_line(o - 1, float(p * r * (operator**2).sum())), against),
        interaction=mixed,
        error=error,
        pooled=pooled,
    )


def components(anova: Anova) -> Components:
    """Variance components by the expected mean squares; negative ones are zero."""
    p, o, r = anova.shape
    between = anova.between.ms
    return Components(
        repeatability=anova.residual.ms,
        operator=max(0.0, (anova.operator.ms - between) / (p * r)) if o > 1 else 0.0,
        interaction=max(0.0, (anova.interaction.ms - anova.error.ms) / r) if anova.pooled is None else 0.0,
        part=max(0.0, (anova.part.ms - between) / (o * r)),
    )


def _line(df: int, ss: float) -> Line:
    return Line(df, ss, ss / df if df else 0.0)


def _tested(line: Line, against: Line) -> Line:
    if line.df == 0 or against.df == 0 or (against.ms == 0.0 and line.ms == 0.0):
        return line
    if against.ms == 0.0:
        return Line(line.df, line.ss, line.ms, math.inf, 0.0)
    f = line.ms / against.ms
    return Line(line.df, line.ss, line.ms, f, float(fdtrc(line.df, against.df, f)))
