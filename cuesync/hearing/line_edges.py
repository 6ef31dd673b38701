"""Edges of a contact across a line input, as the samples come: a level, or a spike behind a capacitor.

How the line stands in the first half second counts as rest; its hum and noise are learned from there on, and
a step has to stand out of them. The first step away from rest closes, whichever way it goes; from then on a
step that way closes and one the other way opens.

An edge has the time of its first step. It is told 2 ms later, or when the bounce lets it, if the line has
moved by then: a spike that the cable picked up goes back at once and is none. Steps within `BOUNCE_S` of the
one before belong to the same edge: when they are over, their sum says where the contact came to rest, and
where that is not what was told (a very short tap) a second edge says so.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cuesync.hearing.triggers import BOUNCE_S

LEAST_STEP = 0.02
"""Of full scale: below this no step is an edge, however quiet the line."""

_STEP_FRAMES = 4  # the converter's filter spreads a step over a few samples
_AHEAD_FRAMES = 8  # and makes it ring before it goes the right way
_SURE_S = 0.002
_PIECE_S = 0.01  # holds the steepest place of any hum, and every spike of a dimmer
_PIECES_LEARNED = 50
_PIECES_KEPT = 100
_ABOVE_NOISE = 2.7  # for white noise this is 8 standard deviations
_BOUNCE_SHARE = 0.2  # what is smaller, beside the largest step, is the spike's decay


@dataclass(frozen=True, slots=True, kw_only=True)
class LineEdge:
    """An edge of the contact; `frame` counts the samples given since the start."""

    frame: int
    closed: bool


class LineEdges:
    """Finds a contact's edges in one channel, block by block; how the blocks are cut makes no difference.

    An edge is told some 2 ms after it.
    """

    def __init__(self, rate_hz: int) -> None:
        self._gap_frames = round(BOUNCE_S * rate_hz)
        self._sure_frames = round(_SURE_S * rate_hz)
        self._piece_frames = round(_PIECE_S * rate_hz)
        self._in_piece = 0
        self._peak = 0.0  # the largest step in this piece
        self._peaks: deque[float] = deque(maxlen=_PIECES_KEPT)
        self.threshold = math.inf
        """The least step that begins an edge, of full scale; infinite until the line is known."""
        self._waiting = np.zeros(0, dtype=np.float32)  # from `_STEP_FRAMES` before the next frame to look at
        self._frame = 0  # the next one to look at
        self._fresh = True
        self._closing = 0.0  # which way closes; 0 while that is not known
        self._closed = False
        # of the steps that are under way
        self._first_frame = 0
        self._last_frame: int | None = None
        self._told: bool | None = None
        self._largest = 0.0
        self._sum = 0.0

    @property
    def frames(self) -> int:
        """How many samples were given so far."""
        return self._frame + max(0, len(self._waiting) - _STEP_FRAMES)

    def lost(self) -> None:
        """Samples are missing before the next ones; a step there tells nothing."""
        self._frame = self.frames
        self._fresh = True

    def feed(self, samples: NDArray[np.float32]) -> list[LineEdge]:
        """Edges in the next samples, shape (frames,), of any length."""
        if not len(samples):
            return []
        if self._fresh:
            self._waiting = np.full(_STEP_FRAMES, samples[0], dtype=np.float32)
            self._fresh = False
        line = np.concatenate([self._waiting, samples])
        steps = line[_STEP_FRAMES:] - line[:-_STEP_FRAMES]
        edges: list[LineEdge] = []
        done, ready = 0, len(steps) - _AHEAD_FRAMES
        while done < ready:
            stop = min(ready, done + self._piece_frames - self._in_piece)
            sizes = np.abs(steps[done:stop])
            peak = float(sizes.max())
            if peak > self.threshold / 2.0:
                places = done + np.flatnonzero(sizes > self.threshold / 2.0)
                self._look(steps, places, done, edges)
            self._peak = max(self._peak, peak)
            self._in_piece += stop - done
            if self._in_piece == self._piece_frames:
                self._learn(self._peak)
                self._in_piece, self._peak = 0, 0.0
            self._frame += stop - done
            self._settle(self._frame, edges)
            done = stop
        self._waiting = line[done:]
        return edges

    def _learn(self, peak: float) -> None:
        self._peaks.append(peak)
        if len(self._peaks) >= _PIECES_LEARNED:
            # half of the pieces hold no edge, however fast somebody presses
            self.threshold = max(LEAST_STEP, _ABOVE_NOISE * sorted(self._peaks)[len(self._peaks) // 2])

    def _look(
        self,
        steps: NDArray[np.float32],
        places: NDArray[np.intp],
        start: int,
        edges: list[LineEdge],
    ) -> None:
        """Find edges at these places of the steps, of which that at `start` is of `_frame`."""
        least = self.threshold
        for at in places:
            frame, step = self._frame + int(at) - start, float(steps[at])
            self._settle(frame, edges)
            if self._last_frame is None:
                ahead = steps[at : at + _AHEAD_FRAMES]
                clear = np.abs(ahead) > np.abs(ahead).max() / 2.0
                main = float(ahead[np.argmax(clear)])  # the first that is no ringing
                if abs(step) <= max(least, _BOUNCE_SHARE * abs(main)) or step * main < 0.0:
                    continue
                self._first_frame, self._told = frame, None
                self._largest, self._sum = abs(step), 0.0
            if abs(step) > _BOUNCE_SHARE * self._largest:
                self._largest = max(self._largest, abs(step))
                self._sum += step / _STEP_FRAMES
                self._last_frame = frame

    def _settle(self, frame: int, edges: list[LineEdge]) -> None:
        """Tell what the steps before this frame allow to be told."""
        if self._last_frame is None:
            return
        moved = abs(self._sum) > self._largest / 2.0
        if self._told is None and moved and frame - self._first_frame >= self._sure_frames:
            self._closing = self._closing or math.copysign(1.0, self._sum)
            self._told = self._sum * self._closing > 0.0
            edges.append(LineEdge(frame=self._first_frame, closed=self._told))
        if frame - self._last_frame <= self._gap_frames:
            return
        if self._told is not None:
            closed = self._sum * self._closing > 0.0 if moved else self._closed
            if closed != self._told:
                edges.append(LineEdge(frame=self._last_frame, closed=closed))
            self._closed = closed
        self._last_frame = None
