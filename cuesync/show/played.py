"""What the sound card was given lately, so that the show knows its own sound when a microphone hears it."""

from __future__ import annotations

import numpy as np

from cuesync.devices.ports import Samples

KEPT_S = 14.0


class PlayedLately:
    """A ring laid out beforehand. `put` is for the sound card's thread, `between` for others."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._ring: Samples = np.zeros((round(KEPT_S * rate_hz), channels), dtype=np.float32)
        self._begin: int | None = None
        self._end = 0

    def put(self, out: Samples, first_frame: int) -> None:
        """Keep a block (frames, channels); frames that were skipped before it count as silence."""
        size = len(self._ring)
        if self._begin is None:
            self._begin = self._end = first_frame
        gap = first_frame - self._end
        if gap > 0:
            self._clear(self._end % size, min(gap, size))
        at = first_frame % size
        fits = min(len(out), size - at)
        np.copyto(self._ring[at : at + fits], out[:fits])
        np.copyto(self._ring[: len(out) - fits], out[fits:])
        self._end = first_frame + len(out)

    def _clear(self, at: int, frames: int) -> None:
        fits = min(frames, len(self._ring) - at)
        self._ring[at : at + fits] = 0.0
        self._ring[: frames - fits] = 0.0

    def between(self, first_frame: int, end_frame: int) -> Samples | None:
        """The frames from one to the other; None where they are gone, still to come, or before the first
        block: another process may have played then."""
        begin, size = self._begin, len(self._ring)
        if begin is None or not begin <= first_frame <= end_frame <= self._end:
            return None
        at = first_frame % size
        over = max(0, at + end_frame - first_frame - size)
        samples = np.concatenate([self._ring[at : at + end_frame - first_frame], self._ring[:over]])
        # looked at after the copy; a block may just be on its way in
        return None if first_frame < self._end - size * 15 // 16 else samples
