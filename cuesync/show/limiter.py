"""Keeps a sum of sounds within full scale, with no delay of its own.

Gain is reckoned for pieces of 32 frames and moves in straight lines between them: it comes down before a
peak (where the peak is not in the first piece of a block: then at once) and goes up over about 50 ms.
Below full scale the sound passes untouched, bit for bit.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

PIECE_FRAMES = 32
_RELEASE_S = 0.05
_FULL = np.float32(1.0)


class Limiter:
    """Works in place on planar sound (channels, frames); all its memory is laid out beforehand."""

    def __init__(self, channels: int, most_frames: int, rate_hz: int) -> None:
        pieces = -(-most_frames // PIECE_FRAMES)
        self._magnitude = np.zeros((channels, pieces * PIECE_FRAMES), dtype=np.float32)
        self._channel_peaks = np.zeros(channels, dtype=np.float32)
        self._loudest = np.zeros(pieces * PIECE_FRAMES, dtype=np.float32)
        self._peaks = np.zeros(pieces, dtype=np.float32)
        self._ramp_up = np.linspace(0.0, 1.0, PIECE_FRAMES, dtype=np.float32)
        self._ramp = np.zeros(PIECE_FRAMES, dtype=np.float32)
        self._release = PIECE_FRAMES / (_RELEASE_S * rate_hz)
        self._gain = 1.0
        self.limited_blocks = 0

    def reset(self) -> None:
        """After silence: full gain again, so that the next sound begins untouched."""
        self._gain = 1.0

    def process(self, sound: NDArray[np.float32]) -> None:
        """`sound` (channels, frames): afterwards no sample lies outside -1…1, NaN becomes silence."""
        frames = sound.shape[1]
        magnitude = self._magnitude[:, :frames]
        np.abs(sound, out=magnitude)
        # reduce, minimum and maximum rather than max and clip: those buffer several kilobytes on each call
        np.maximum.reduce(magnitude, axis=1, out=self._channel_peaks)
        peak = float(np.maximum.reduce(self._channel_peaks))
        if peak <= 1.0 and self._gain >= 1.0:
            return
        self.limited_blocks += 1
        if not peak < np.inf:
            np.nan_to_num(sound, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
            np.abs(sound, out=magnitude)
        self._work(sound, magnitude, frames)
        np.minimum(sound, _FULL, out=sound)
        np.maximum(sound, -_FULL, out=sound)

    def _work(self, sound: NDArray[np.float32], magnitude: NDArray[np.float32], frames: int) -> None:
        pieces = -(-frames // PIECE_FRAMES)
        loudest = self._loudest
        np.maximum.reduce(magnitude, axis=0, out=loudest[:frames])
        loudest[frames : pieces * PIECE_FRAMES] = 0.0
        np.maximum.reduce(
            loudest[: pieces * PIECE_FRAMES].reshape(pieces, PIECE_FRAMES), axis=1, out=self._peaks[:pieces]
        )
        gain = self._gain
        wanted = min(gain + self._release, self._allowed(0), 1.0)
        gain = min(gain, wanted)  # a peak in the first piece: down at once
        for piece in range(pieces):
            following = (
                min(wanted + self._release, self._allowed(piece + 1), 1.0) if piece + 1 < pieces else wanted
            )
            end = min(wanted, following)
            np.multiply(self._ramp_up, end - gain, out=self._ramp)
            np.add(self._ramp, gain, out=self._ramp)
            part = sound[:, piece * PIECE_FRAMES : min(frames, (piece + 1) * PIECE_FRAMES)]
            np.multiply(part, self._ramp[: part.shape[1]], out=part)
            gain, wanted = end, following
        self._gain = gain

    def _allowed(self, piece: int) -> float:
        peak = float(self._peaks[piece])
        return 1.0 / peak if peak > 1.0 else 1.0
