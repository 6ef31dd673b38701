"""When a microphone is to listen for the pop. Pure."""

from __future__ import annotations

from collections.abc import Sequence

ENOUGH_POPS = 5
LEAST_REACH_S = 0.05
FEW_REACH_S = 0.1
FEW_REACH_SHARE = 0.15


def listening_s(delay_s: float, pops_s: Sequence[float], started_s: float = 0.0) -> tuple[float, float]:
    """From when to when after the trigger: the pops known so far, and their spread before and after.

    Wider while fewer than `ENOUGH_POPS` are known: a delay timed by hand is not exact. All times, also of the
    pops, count from the trigger; the prop itself is started `started_s` after it.
    """
    pops_s = pops_s or (delay_s,)
    least_s = LEAST_REACH_S
    if len(pops_s) < ENOUGH_POPS:
        least_s = max(FEW_REACH_S, FEW_REACH_SHARE * (delay_s - started_s))
    reach_s = max(least_s, max(pops_s) - min(pops_s))
    return max(started_s + LEAST_REACH_S, min(pops_s) - reach_s), max(pops_s) + reach_s
