"""Background sound that runs round and round, and dips while a scare needs the room. Part of the mixer."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cuesync.show.prepared import PreparedSound

RAMP_S = 0.05
"""How long a background takes to go down before a dip, and to come up after it."""


class Loop:
    """One background. `dip` and `stopping` are for the show's thread, `add` for the sound card's."""

    def __init__(self, prepared: PreparedSound, rate_hz: int, fade_frames: int, most_frames: int) -> None:
        self._prepared = prepared
        self._ramp_frames = round(RAMP_S * rate_hz)
        self._fade_frames = fade_frames
        self._start_frame: int | None = None
        self._stop_frame: int | None = None
        self._frame = 0
        self._dips: tuple[tuple[int, int, float], ...] = ()
        self._count = np.arange(most_frames, dtype=np.float32)
        self._gain = np.zeros(most_frames, dtype=np.float32)
        self._down = np.zeros(most_frames, dtype=np.float32)
        self._up = np.zeros(most_frames, dtype=np.float32)
        self._part = np.zeros(most_frames, dtype=np.float32)
        self.stopping = False
        """Set by the owner: fade out from the next block on."""
        self.done = False

    def dip(self, from_frame: int, to_frame: int, gain: float) -> None:
        """Be at `gain` from one frame to the other, with ramps outside of them."""
        ahead = tuple(dip for dip in self._dips if dip[1] + self._ramp_frames > self._frame)
        self._dips = (*ahead, (from_frame, to_frame, gain))

    def add(self, total: NDArray[np.float32], first_frame: int, frames: int) -> None:
        """Add `frames` of this background to `total` (outputs, frames)."""
        self._frame = first_frame
        if self._start_frame is None:
            self._start_frame = first_frame
        if self.stopping and self._stop_frame is None:
            self._stop_frame = first_frame
        gain = self._envelope(first_frame, frames)
        length = self._prepared.frames
        at = (first_frame - self._start_frame) % length
        begin = 0
        while begin < frames:
            end = min(frames, begin + length - at)
            part = self._part[: end - begin]
            for row, output in self._prepared.routes:
                np.multiply(self._prepared.rows[row, at : at + end - begin], gain[begin:end], out=part)
                target = total[output, begin:end]
                np.add(target, part, out=target)
            begin, at = end, 0
        if self._stop_frame is not None:
            self.done = first_frame + frames >= self._stop_frame + self._fade_frames

    def _envelope(self, first_frame: int, frames: int) -> NDArray[np.float32]:
        assert self._start_frame is not None
        gain, down, up = self._gain[:frames], self._down[:frames], self._up[:frames]
        self._ramp(gain, self._start_frame, self._fade_frames, first_frame)
        for from_frame, to_frame, low in self._dips:
            # 1, down to low, and up to 1 again
            self._ramp(down, from_frame - self._ramp_frames, self._ramp_frames, first_frame)
            self._ramp(up, to_frame, self._ramp_frames, first_frame)
            np.subtract(down, up, out=down)
            np.multiply(down, low - 1.0, out=down)
            np.add(down, 1.0, out=down)
            np.multiply(gain, down, out=gain)
        if self._stop_frame is not None:
            self._ramp(down, self._stop_frame, self._fade_frames, first_frame)
            np.subtract(1.0, down, out=down)
            np.multiply(gain, down, out=gain)
        return gain

    def _ramp(self, out: NDArray[np.float32], from_frame: int, ramp_frames: int, first_frame: int) -> None:
        """0 before `from_frame`, then a straight line up to 1."""
        np.add(self._count[: len(out)], first_frame - from_frame, out=out)
        np.multiply(out, 1.0 / ramp_frames, out=out)
        np.minimum(out, 1.0, out=out)
        np.maximum(out, 0.0, out=out)
