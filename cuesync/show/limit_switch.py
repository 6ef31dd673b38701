"""What the prop's limit switch tells: which of its edges cuts an output, and which ends a reset.

The switch is closed while the prop stands reset. It opens as the prop leaves and closes when it is back.
Between the two it may bounce, and shake while the spring is wound. Pure; times in seconds of host time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

AWAY_S = 0.03
"""An opening shorter than this is bounce or play, and the prop has not left its place; as long as debounce_ms
where the scene gives none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycle:
    """One cycle of the prop: its output goes on at `start_s`, its latest pop is due at `pop_by_s`.

    `start_s` is None where cuesync does not start the prop.
    """

    start_s: float | None
    pop_by_s: float


class LimitNews(StrEnum):
    """What an edge means. Anything but nothing cuts the output, for the reason that it reads."""

    NOTHING = ""
    BACK = "the limit switch closed"
    """The prop is reset."""
    EARLY = "the limit switch closed before the pop was due"
    """A prop that cuesync has started is back too soon, or something else has closed the switch: to go on
    would drive it against its end, or round once more."""
    UNSEEN = "the limit switch was out of sight"
    """It was seen before and is found anew: nobody knows whether it has closed meanwhile."""


class LimitSwitch:
    """How the switch stands. Whoever sees its edges has one of these, and feeds it with all of them."""

    def __init__(self) -> None:
        self.closed: bool | None = None
        """None while nobody has seen it."""
        self.cycle = Cycle(start_s=None, pop_by_s=-math.inf)
        """The one under way, or the last one. Before the first, any closing tells that the prop is back."""
        self._opened_s = -math.inf

    @property
    def open(self) -> bool:
        """True where it is known that the prop does not stand at it, or that it is out of sight."""
        return self.closed is False

    def edge(self, closed: bool, at_s: float, *, found: bool = False) -> LimitNews:
        """The switch closed or opened, or was `found` so: then it may have stood so all the time."""
        before, self.closed = self.closed, closed
        if not closed and before is not False:
            self._opened_s = at_s
        if found:
            return LimitNews.NOTHING if before is None else LimitNews.UNSEEN
        if not closed or before or at_s - self._opened_s < AWAY_S:
            return LimitNews.NOTHING
        if at_s >= self.cycle.pop_by_s:
            return LimitNews.BACK
        started = self.cycle.start_s is not None and at_s >= self.cycle.start_s
        return LimitNews.EARLY if started else LimitNews.NOTHING
