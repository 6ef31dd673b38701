"""Whether the pops of two groups of trials can be one prop's, from their delays alone.

Conventions: delays in milliseconds, of one kind (from the contact, or through the show's chain).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cuesync.hearing.picker import median
from cuesync.measuring.summary import OUTLIER_Z, robust_sd

SUPPLY_RATIO = 1.5 / 0.8
"""A battery is flat at 0.8 of its 1.5 V a cell (toy test of IEC 60086-2), and a motor's speed goes about with
its voltage. A load that nearly stalls it adds to that: what lies beyond is a question, no verdict."""
UNNOTICED_MS = 45.0
"""Nobody notices a sound that is early by less (ITU-R BT.1359-1): not worth a question."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """Two groups of pops that stand further apart than either scatters; `low` has the shorter delays.

    `another_prop`: so far that a supply that sinks is not the first thing to think of.
    """

    low_ms: float
    high_ms: float
    another_prop: bool


def split_between(first_ms: Sequence[float], second_ms: Sequence[float]) -> Split | None:
    """The split between two groups of delays; None where they can be one, or too little is known.

    The middle of each has to be an outlier among the other's: modified z above 3.5 both ways (as in
    `summary.modified_z`). Of two or three pops the range stands for the spread, of one nothing is known, and
    the other group's is taken for both. Where neither is known only a ratio that no supply makes counts.
    """
    if not first_ms or not second_ms:
        return None
    low_ms, high_ms = sorted(float(median(np.asarray(values_ms))) for values_ms in (first_ms, second_ms))
    another_prop = high_ms > SUPPLY_RATIO * low_ms
    spreads_ms = [spread for spread in (_spread_ms(first_ms), _spread_ms(second_ms)) if spread is not None]
    apart_ms = high_ms - low_ms
    if not spreads_ms and not another_prop:
        return None
    if apart_ms <= max(UNNOTICED_MS, OUTLIER_Z * max(spreads_ms, default=0.0)):
        return None
    return Split(low_ms=low_ms, high_ms=high_ms, another_prop=another_prop)


def _spread_ms(values_ms: Sequence[float]) -> float | None:
    """About one standard deviation; None for a single value."""
    if len(values_ms) < 2:
        return None
    return robust_sd(values_ms) if len(values_ms) >= 4 else max(values_ms) - min(values_ms)
