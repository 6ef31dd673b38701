"""How many scares would look and sound like one event (ITU-R BT.1359-1)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from cuesync.plan.plan import Plan
from cuesync.signs import audio_offset_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """Audio offsets that pass, positive = sound first (cuesync.signs); both ends belong to it."""

    name: str
    early_s: float
    late_s: float

    def holds(self, offset_s: float) -> bool:
        # a nanosecond of grace: 0.045 s from a subtraction is not always 0.045
        return self.late_s - 1e-9 <= offset_s <= self.early_s + 1e-9


DETECTABLE = Window(name="unnoticed", early_s=0.045, late_s=-0.125)
"""Inside, people don't notice that sound and picture differ (BT.1359-1, recommends 2)."""
ACCEPTABLE = Window(name="acceptable", early_s=0.090, late_s=-0.185)
"""Inside, people accept it (BT.1359-1, considering g)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SyncForecast:
    """What the measured pops say about a sound that lands at one fixed time after the trigger.

    Counts are of `n` pops. Any bias from `best_bias_low_s` to `best_bias_high_s` would catch `best_count`
    of them in the detectability window; `best_bias_s` is the one of these nearest to the bias in use.
    """

    n: int
    unnoticed: int
    acceptable: int
    best_count: int
    best_bias_s: float
    best_bias_low_s: float
    best_bias_high_s: float


def count_inside(pops_s: Sequence[float], sound_s: float, window: Window) -> int:
    return sum(window.holds(audio_offset_s(sound_s, pop_s)) for pop_s in pops_s)


def forecast(pops_s: Sequence[float], lands_s: float, bias_s: float) -> SyncForecast | None:
    """Judge a hit that reaches the guest `lands_s` after the trigger, `bias_s` of it deliberate.

    None where there are no measured pops.
    """
    if not pops_s:
        return None
    # the best place changes only where a pop enters or leaves the window
    edges_s = sorted(
        {pop_s - DETECTABLE.early_s for pop_s in pops_s} | {pop_s - DETECTABLE.late_s for pop_s in pops_s}
    )
    counts = [count_inside(pops_s, edge_s, DETECTABLE) for edge_s in edges_s]
    most = max(counts)
    without_bias_s = lands_s - bias_s
    ranges_s: list[tuple[float, float]] = []
    for position, count in enumerate(counts):
        if count < most:
            continue
        low_s = high_s = edges_s[position]
        following_s = edges_s[position + 1 : position + 2]
        if following_s:
            middle_s = (low_s + following_s[0]) / 2
            if count_inside(pops_s, middle_s, DETECTABLE) == most:
                high_s = following_s[0]
        if ranges_s and ranges_s[-1][1] == low_s:
            ranges_s[-1] = (ranges_s[-1][0], high_s)
        else:
            ranges_s.append((low_s, high_s))

    def nearest_s(limits_s: tuple[float, float]) -> float:
        return min(max(lands_s, limits_s[0]), limits_s[1])

    best_s = min(ranges_s, key=lambda limits_s: abs(nearest_s(limits_s) - lands_s))
    return SyncForecast(
        n=len(pops_s),
        unnoticed=count_inside(pops_s, lands_s, DETECTABLE),
        acceptable=count_inside(pops_s, lands_s, ACCEPTABLE),
        best_count=most,
        best_bias_s=nearest_s(best_s) - without_bias_s,
        best_bias_low_s=best_s[0] - without_bias_s,
        best_bias_high_s=best_s[1] - without_bias_s,
    )


def plan_forecast(plan: Plan) -> SyncForecast | None:
    """`forecast` for the sound that lands nearest to the pop; None without sound or measured pops."""
    sound = plan.pop_sound
    return None if sound is None else forecast(plan.pops_s, sound.lands_s, plan.bias_s)
