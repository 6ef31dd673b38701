"""How a contact behaves, from its edges alone: presses, bounce, the debounce it needs, jitter of its path.

Conventions: times in seconds of one clock, edges in order of time. A change begins with an edge after rest;
every edge within `WINDOW_S` of it belongs to the same change. Where the contact then stands as the first
edge left it, what came after the first edge was bounce; where it stands the other way round, somebody tapped
it (or let it slip), and tap and bounce can't be told apart. So contacts are tried by presses longer than
the window.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median, stdev

from cuesync.devices.ports import ContactEdge

WINDOW_S = 0.2
"""Longer than the worst switch on record bounced: 157 ms (Ganssle, A Guide to Debouncing)."""

LEAST_DEBOUNCE_MS = 5
LAST_CHANGES = 50
LAST_PRESSES = 10_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactReport:
    """What is known of one contact.

    `closed`: how it stands, None where nothing was seen yet. `presses`: closings after rest; `edges`: every
    change of level. `short_presses` (taps, or spikes on the wire) and `short_openings` (slips of the finger,
    or a loose wire) were over within `WINDOW_S`; nothing is measured of them. `bounces`: how many closings
    and openings were measured; `typical_bounce_s` is the median of the last `LAST_CHANGES` of them,
    `longest_bounce_s` the longest of all, both None where there is none. `shortest_gap_s`: the shortest rest
    between a release and the press after it.
    """

    closed: bool | None
    presses: int
    edges: int
    short_presses: int
    short_openings: int
    bounces: int
    typical_bounce_s: float | None
    longest_bounce_s: float | None
    shortest_gap_s: float | None

    @property
    def suggested_debounce_ms(self) -> int | None:
        """Twice the longest bounce in whole milliseconds, 5 at least (common practice)."""
        return None if self.longest_bounce_s is None else suggested_debounce_ms(self.longest_bounce_s)


def suggested_debounce_ms(longest_bounce_s: float) -> int:
    """Twice the longest bounce, rounded up to whole milliseconds, 5 at least (common practice)."""
    # host times carry noise far below a microsecond, which must not cost a millisecond
    return max(LEAST_DEBOUNCE_MS, math.ceil(round(2000.0 * longest_bounce_s, 3)))


class ContactHistory:
    """Take one contact's edges as they come; ask for the report at any time.

    `window_s`: edges so close to the first of a change belong to it; 0 where the path hides bounce, so that
    every edge counts.
    """

    def __init__(self, *, window_s: float = WINDOW_S) -> None:
        self._window_s = window_s
        self._closed: bool | None = None
        self._first: ContactEdge | None = None
        self._last_s = -math.inf
        self._released_s: float | None = None
        self._edges = 0
        self._presses = 0
        self._short_presses = 0
        self._short_openings = 0
        self._bounces = 0
        self._last_bounces_s: deque[float] = deque(maxlen=LAST_CHANGES)
        self._longest_bounce_s: float | None = None
        self._shortest_gap_s: float | None = None
        self._presses_s: deque[float] = deque(maxlen=LAST_PRESSES)

    @property
    def presses_s(self) -> tuple[float, ...]:
        """First edges of the last `LAST_PRESSES` presses."""
        return tuple(self._presses_s)

    @property
    def moving(self) -> bool:
        """A change has begun whose window has not passed yet, as far as `take` and `rest` know."""
        return self._first is not None

    def take(self, edge: ContactEdge) -> None:
        """An edge of this contact; a repeat, or one that was `found`, only tells how it stands."""
        self.rest(edge.at_s)
        if edge.found or edge.closed is self._closed:
            self._closed = edge.closed
            return
        self._closed = edge.closed
        self._edges += 1
        if self._first is None:
            self._first = edge
            if edge.closed:
                self._press(edge.at_s)
        self._last_s = edge.at_s

    def rest(self, now_s: float) -> None:
        """Nothing but what was taken happened up to `now_s`: close the window of a change that is over."""
        first = self._first
        if first is None or now_s - first.at_s <= self._window_s:
            return
        self._first = None
        if self._closed is not first.closed:
            if first.closed:
                self._short_presses += 1
                self._released_s = self._last_s
            else:
                self._short_openings += 1
            return
        bounce_s = self._last_s - first.at_s
        self._bounces += 1
        self._last_bounces_s.append(bounce_s)
        self._longest_bounce_s = max(bounce_s, self._longest_bounce_s or 0.0)
        if not first.closed:
            self._released_s = self._last_s

    def _press(self, at_s: float) -> None:
        self._presses += 1
        self._presses_s.append(at_s)
        if self._released_s is not None:
            gap_s = at_s - self._released_s
            self._shortest_gap_s = gap_s if self._shortest_gap_s is None else min(gap_s, self._shortest_gap_s)

    def report(self) -> ContactReport:
        """Everything up to the last `take` or `rest`."""
        return ContactReport(
            closed=self._closed,
            presses=self._presses,
            edges=self._edges,
            short_presses=self._short_presses,
            short_openings=self._short_openings,
            bounces=self._bounces,
            typical_bounce_s=median(self._last_bounces_s) if self._last_bounces_s else None,
            longest_bounce_s=self._longest_bounce_s,
            shortest_gap_s=self._shortest_gap_s,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PathDifference:
    """One button over two paths: the second's first edge minus the first's, for every press seen by both.

    Which of the two is late can't be known from this, only by how much: a constant in `median_s`, and in
    `spread_s` (largest minus smallest) and `sd_s` (None for fewer than two) the jitter of both together,
    which is at least that of the worse one where they are independent. `only_first`, `only_second`: presses
    that the other path missed.
    """

    presses: int
    only_first: int
    only_second: int
    median_s: float | None
    spread_s: float | None
    sd_s: float | None


def path_difference(first_s: Sequence[float], second_s: Sequence[float]) -> PathDifference:
    """Presses of one button seen by two paths, both in order of time and in seconds of one clock.

    Two presses are the same one where they lie within `WINDOW_S` of each other; each is used once.
    """
    differences_s: list[float] = []
    i = j = 0
    while i < len(first_s) and j < len(second_s):
        difference_s = second_s[j] - first_s[i]
        if abs(difference_s) <= WINDOW_S:
            differences_s.append(difference_s)
            i += 1
            j += 1
        elif difference_s > 0.0:
            i += 1
        else:
            j += 1
    n = len(differences_s)
    return PathDifference(
        presses=n,
        only_first=len(first_s) - n,
        only_second=len(second_s) - n,
        median_s=median(differences_s) if n else None,
        spread_s=max(differences_s) - min(differences_s) if n else None,
        sd_s=stdev(differences_s) if n > 1 else None,
    )
