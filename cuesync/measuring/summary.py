"""Numbers of a prop from its delays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import comb

import numpy as np

from cuesync.hearing.picker import median

OUTLIER_Z = 3.5
"""Modified z-scores above this are outliers (Iglewicz and Hoaglin, in NIST/SEMATECH e-Handbook 1.3.5.17)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """Delays of one prop, trigger to pop.

    `n` pops were heard, `misfires` triggers had none; every other number is None where too few pops make it
    meaningless. `spread_ms` is largest minus smallest. `median_low_ms` to `median_high_ms` holds the true
    median with a probability of at least 95 % (`median_confidence`, from the ranks of a binomial).
    `outliers` are trial numbers, counted from 1. `reset_s` is the longest reset heard.
    """

    n: int
    misfires: int
    median_ms: float | None
    mean_ms: float | None
    sd_ms: float | None
    spread_ms: float | None
    min_ms: float | None
    max_ms: float | None
    median_low_ms: float | None
    median_high_ms: float | None
    median_confidence: float | None
    outliers: tuple[int, ...]
    reset_s: float | None


def median_interval_ranks(n: int, confidence: float = 0.95) -> tuple[int, int, float] | None:
    """Ranks (from 1) of the ordered values between which the median lies, and the true confidence.

    Distribution-free: P(x_(k) < median < x_(n+1-k)) = 1 - 2 * sum(C(n, i), i < k) / 2^n (David and Nagaraja,
    Order Statistics, 7.1). None where even the extremes are not enough (n < 6 at 95 %).
    """
    below, rank, reached = 0, 0, 0.0
    for i in range(n // 2):
        below += comb(n, i)
        inside = 1.0 - 2.0 * below / 2**n
        if inside < confidence:
            break
        rank, reached = i + 1, inside
    return (rank, n + 1 - rank, reached) if rank else None


def robust_sd(values: Sequence[float]) -> float:
    """MAD / 0.6745, about the standard deviation but for outliers (NIST/SEMATECH e-Handbook 1.3.5.17).

    Where more than half the values agree MAD is 0; then the mean absolute deviation takes its place
    (times 1.253314, Iglewicz and Hoaglin 1993). 0 where all values agree.
    """
    array = np.asarray(values, dtype=float)
    away = np.abs(array - median(array))
    mad = float(median(away))
    return mad / 0.6745 if mad > 0 else float(np.mean(away)) * 1.253314


def modified_z(values: Sequence[float]) -> tuple[float, ...]:
    """(x - median) / `robust_sd` for each value; all zero where all values agree."""
    if not len(values):
        return ()
    array = np.asarray(values, dtype=float)
    scale = robust_sd(values)
    if scale == 0:
        return tuple(0.0 for _ in values)
    return tuple(float(z) for z in (array - median(array)) / scale)


def summarise(delays_s: Sequence[float | None], resets_s: Sequence[float | None] = ()) -> Summary:
    """Summary of trials in their order; None in `delays_s` is a misfire, in `resets_s` a reset not heard."""
    heard = [(number, delay_s * 1000.0) for number, delay_s in enumerate(delays_s, 1) if delay_s is not None]
    values_ms = np.array([value_ms for _, value_ms in heard])
    n = len(heard)
    ordered_ms = np.sort(values_ms)
    ranks = median_interval_ranks(n)
    # three points always have one that looks far away
    scores = modified_z(values_ms.tolist()) if n >= 4 else (0.0,) * n
    known_resets_s = [reset_s for reset_s in resets_s if reset_s is not None]
    return Summary(
        n=n,
        misfires=len(delays_s) - n,
        median_ms=float(median(values_ms)) if n else None,
        mean_ms=float(values_ms.mean()) if n else None,
        sd_ms=float(values_ms.std(ddof=1)) if n > 1 else None,
        spread_ms=float(ordered_ms[-1] - ordered_ms[0]) if n > 1 else None,
        min_ms=float(ordered_ms[0]) if n else None,
        max_ms=float(ordered_ms[-1]) if n else None,
        median_low_ms=float(ordered_ms[ranks[0] - 1]) if ranks else None,
        median_high_ms=float(ordered_ms[ranks[1] - 1]) if ranks else None,
        median_confidence=ranks[2] if ranks else None,
        outliers=tuple(
            number for (number, _), score in zip(heard, scores, strict=True) if abs(score) > OUTLIER_Z
        ),
        reset_s=max(known_resets_s, default=None),
    )
