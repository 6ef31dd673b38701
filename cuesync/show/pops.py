"""What is seen or heard of the pops through the night: misfires, the real delay of each scare, and its drift.

The running estimate is an exponentially weighted moving average with the control limits of the NIST/SEMATECH
e-Handbook of Statistical Methods, 6.3.2.4. Pure.
"""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass

from cuesync.plan.listening import ENOUGH_POPS, listening_s

WEIGHT = 0.3
LIMIT_SDS = 3.0
LEAST_SD_S = 0.001
_LEARN_FROM = ENOUGH_POPS


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Where the delay is now: `estimate_s`, and whether it has left `low_s`…`high_s` around `target_s`."""

    target_s: float
    estimate_s: float
    low_s: float
    high_s: float

    @property
    def out(self) -> bool:
        return not self.low_s <= self.estimate_s <= self.high_s


class DelayEstimate:
    """EWMA of the delays; begins at `target_s`. `sd_s` is the scatter of one delay about it."""

    def __init__(self, target_s: float, sd_s: float, *, weight: float = WEIGHT) -> None:
        self._target_s = target_s
        self._estimate_s = target_s
        self._weight = weight
        self._half_width_s = LIMIT_SDS * sd_s * math.sqrt(weight / (2.0 - weight))

    def take(self, delay_s: float) -> Drift:
        self._estimate_s += self._weight * (delay_s - self._estimate_s)
        return Drift(
            target_s=self._target_s,
            estimate_s=self._estimate_s,
            low_s=self._target_s - self._half_width_s,
            high_s=self._target_s + self._half_width_s,
        )


class PopWatch:
    """The pops of one scene.

    Until the scatter is known (from the profile's `pops_s`, or the first pops of the night) no drift is
    told. `correct_within_s` bounds how far the cue may be moved on its own; 0 only suggests.
    """

    def __init__(
        self,
        delay_s: float,
        pops_s: tuple[float, ...],
        *,
        hold_after: int,
        correct_within_s: float,
        started_s: float = 0.0,
    ) -> None:
        """`started_s`: so long after the trigger the prop is started; every other time holds that, too."""
        self._delay_s = delay_s
        self._started_s = started_s
        self._hold_after = hold_after
        self._correct_within_s = correct_within_s
        self._learned_s = list(pops_s)
        self._estimate: DelayEstimate | None = None
        self.misfires_in_a_row = 0
        self.drift: Drift | None = None

    @property
    def window_s(self) -> tuple[float, float]:
        """When, after the trigger, an edge of the pop contact is this trigger's pop."""
        own_s = self._delay_s - self._started_s
        return self._started_s + 0.5 * own_s, self._started_s + 1.5 * own_s + 0.5

    @property
    def listening_s(self) -> tuple[float, float]:
        """When, after the trigger, a microphone is to listen, as the prop has drifted."""
        moved_s = 0.0 if self.drift is None else self.drift.estimate_s - self.drift.target_s
        early_s, late_s = listening_s(self._delay_s, self._learned_s, self._started_s)
        return max(self._started_s, early_s + moved_s), late_s + moved_s

    @property
    def correction_s(self) -> float:
        """How much later the cue is to be played, where the scene allows it."""
        if self.drift is None or not self.drift.out:
            return 0.0
        bound_s = self._correct_within_s
        return min(bound_s, max(-bound_s, self.drift.estimate_s - self._delay_s))

    def popped(self, delay_s: float) -> bool:
        """A pop came; True when the delay has just left its limits."""
        self.misfires_in_a_row = 0
        if self._estimate is None:
            if len(self._learned_s) < _LEARN_FROM:
                self._learned_s.append(delay_s)
                return False
            sd_s = max(LEAST_SD_S, statistics.stdev(self._learned_s))
            self._estimate = DelayEstimate(self._delay_s, sd_s)
        was_out = self.drift is not None and self.drift.out
        self.drift = self._estimate.take(delay_s)
        return self.drift.out and not was_out

    def misfired(self) -> bool:
        """No pop came; True when the scene is to be held."""
        self.misfires_in_a_row += 1
        return 0 < self._hold_after <= self.misfires_in_a_row
