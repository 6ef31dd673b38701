"""Noise dose, time-weighted average and mean level, as the rules define them. Levels in dBA, times in hours.

A dose of 100 % is a full working day's share. Levels below the rules' tables count as well, which is the
careful side.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import exp2, log2, log10

Exposure = tuple[float, float]
"""Level in dBA, and for how many hours."""

MEAN_OVER_S = 900.0
MEAN_LIMIT_DB = 100.0
"""LAeq,15min that venues keep to (WHO 2022)."""
PEAK_LIMIT_DB = 140.0
"""Highest peak of an impulse (41 CFR 50-204.10)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DoseRule:
    """`criterion_dba` may last 8 hours; `exchange_db` more halves the time."""

    name: str
    criterion_dba: float
    exchange_db: float
    twa_factor_db: float

    def allowed_h(self, level_dba: float) -> float:
        """How long this level may last in a day."""
        return 8.0 / exp2((level_dba - self.criterion_dba) / self.exchange_db)

    def dose_percent(self, exposures: Iterable[Exposure]) -> float:
        """100·ΣC/T over all levels C hours long."""
        return 100.0 * sum(length_h / self.allowed_h(level_dba) for level_dba, length_h in exposures)

    def twa_dba(self, dose_percent: float) -> float:
        """The level that would give this dose in 8 hours; the dose must be above 0."""
        return self.twa_factor_db * log10(dose_percent / 100.0) + self.criterion_dba

    def too_loud_db(self, dose_percent: float, aim_percent: float) -> float:
        """By how much all levels must fall to bring the dose to the aim; negative where there is room."""
        return self.exchange_db * log2(dose_percent / aim_percent)


NIOSH = DoseRule(name="NIOSH", criterion_dba=85.0, exchange_db=3.0, twa_factor_db=10.0)
"""NIOSH, Criteria for a recommended standard: occupational noise exposure (98-126)."""
OSHA = DoseRule(name="OSHA", criterion_dba=90.0, exchange_db=5.0, twa_factor_db=16.61)
"""29 CFR 1910.95, appendix A."""


def mean_level_db(exposures: Iterable[Exposure], over_s: float = MEAN_OVER_S) -> float:
    """LAeq over `over_s` that holds all these exposures and is silent for the rest."""
    energy_s = sum(10.0 ** (level_dba / 10.0) * length_h * 3600.0 for level_dba, length_h in exposures)
    return 10.0 * log10(energy_s / over_s)


def level_at_db(level_db: float, from_m: float, to_m: float) -> float:
    """A level measured at one distance, at another in the open: 6.021 dB less for each doubling."""
    return level_db - 20.0 * log10(to_m / from_m)
