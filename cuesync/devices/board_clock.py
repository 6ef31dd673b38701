"""A board's microseconds as host time, from lines that arrive late by an unknown and varying time.

A line can be late, never early, so in a plot of (arrival − stamp) over the stamp the clock is what lies
under all points. Taken is the straight line under all of them, with a slope that a clock may have, that comes
nearest to them (S. B. Moon, P. Skelly, D. Towsley, "Estimation and removal of clock skew from network delay
measurements", INFOCOM 1999). It touches the few lines that were hardly late; how much the others are late
makes no difference.
"""

from __future__ import annotations

import itertools
import math

WRAP = 2**32
_WINDOW_S = 30.0
_MOST_POINTS = 64
_LATEST_S = 0.5
_EARLIEST_S = 0.1

Point = tuple[float, float]
"""Board's time, and arrival minus that; both in seconds."""


class BoardClock:
    """Maps stamps of one board to host time; lines come in the order of their stamps.

    `drift` (seconds a second) is how far the board's clock may be off; a ceramic resonator's 0.5 % by
    default. Where the clock runs evenly within that, a stamp is told neither later than its line arrived nor
    earlier than its edge by more than the most that a line of the last 30 s was late; and never earlier than
    the one before it. A line that comes over 0.5 s later than the others let expect, or 0.1 s earlier, means
    that the board has started again: all is learned anew from it.
    """

    def __init__(self, drift: float = 0.005) -> None:
        self._drift = drift
        self._last: tuple[int, float] | None = None  # stamp and arrival of the last line
        self._run_us = 0  # its stamp, unwrapped
        self._told_s = 0.0
        self._points: list[Point] = []  # the lowest of every `_width_s`
        self._width_s = 0.0
        self._newest_s = 0.0  # where the last of these begins
        self._base_s = 0.0
        self._slope = 0.0

    def host_s(self, stamp_us: int, arrival_s: float) -> float:
        """Host time of the stamp, a counter that wraps at 2³², of a line that arrived at `arrival_s`."""
        if self._in_step(stamp_us, arrival_s):
            run_s = self._run_us / 1e6
            self._keep((run_s, arrival_s - run_s))
            self._told_s = max(self._told_s, run_s + self._base_s + self._slope * run_s)
        else:
            self._run_us = 0
            self._points = [(0.0, arrival_s)]
            self._width_s = self._newest_s = self._slope = 0.0
            self._base_s = arrival_s
            self._told_s = max(self._told_s, arrival_s)  # which rounding may have put behind
        self._last = (stamp_us, arrival_s)
        return self._told_s

    def _in_step(self, stamp_us: int, arrival_s: float) -> bool:
        """Whether this can be the same run of the counter; counts it on if so."""
        if self._last is None:
            return False
        last_us, last_s = self._last
        waited_s = arrival_s - last_s
        step_us = (stamp_us - last_us) % WRAP
        step_us += max(0, round((waited_s * 1e6 - step_us) / WRAP)) * WRAP
        run_s = (self._run_us + step_us) / 1e6
        off_s = arrival_s - run_s - self._base_s - self._slope * run_s
        drifted_s = 2.0 * self._drift * max(0.0, waited_s)
        if not -_EARLIEST_S - drifted_s <= off_s <= _LATEST_S + drifted_s:
            return False
        self._run_us += step_us
        return True

    def _keep(self, point: Point) -> None:
        """Add a point to those that the line is laid under, and lay it anew where it may have changed."""
        points = self._points
        run_s = point[0]
        while points and run_s - points[0][0] > _WINDOW_S:
            points.pop(0)
        if points and run_s - self._newest_s <= self._width_s:
            points[-1] = min(points[-1], point, key=self._height_s)
            if self._height_s(point) >= self._base_s:
                return
        else:
            self._width_s = self._width_s if points else 0.0
            self._newest_s = run_s
            points.append(point)
        if len(points) > _MOST_POINTS:
            self._width_s = 2.0 * (run_s - points[0][0]) / _MOST_POINTS
            points[:] = [min(points[at : at + 2], key=self._height_s) for at in range(0, len(points), 2)]
        # the line is used until the next point begins
        middle_s = (points[0][0] + self._newest_s + self._width_s) / 2.0
        self._slope = min(self._drift, max(-self._drift, _slope_under(points, middle_s)))
        self._base_s = min(map(self._height_s, points))

    def _height_s(self, point: Point) -> float:
        return point[1] - self._slope * point[0]


def _slope_under(points: list[Point], at_s: float) -> float:
    """Slope of the line under all points that is highest at `at_s`; infinite where none lies beyond it."""
    hull: list[Point] = []
    for point in points:
        while len(hull) > 1 and _slope(hull[-2], point) <= _slope(hull[-2], hull[-1]):
            hull.pop()
        hull.append(point)
    for left, right in itertools.pairwise(hull):
        if right[0] >= at_s:
            return _slope(left, right)
    return math.inf


def _slope(left: Point, right: Point) -> float:
    return (right[1] - left[1]) / (right[0] - left[0])
