"""What a listening microphone heard lately, with host times. `sound_input` fills it, the show asks it."""

from __future__ import annotations

import threading
from collections import deque
from typing import Protocol, runtime_checkable

import numpy as np

from cuesync.devices.ports import Samples
from cuesync.hearing.awaited import Stretch

KEPT_S = 12.0
_GAP_S = 0.003


@runtime_checkable
class Microphones(Protocol):
    """A contact source that serves listening microphones as well."""

    def recorded(self, contact: str, from_s: float, to_s: float) -> Stretch | None:
        """What this microphone heard between two host times, at least; from any thread.

        None where that is not known in full: it was not open, sound was lost, or it is too long ago.
        """
        ...


class HeardLately:
    """The last `KEPT_S` of one microphone. One thread puts blocks in, others ask."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._lock = threading.Lock()
        self._blocks: deque[tuple[float, Samples]] = deque()

    def put(self, start_s: float, samples: Samples) -> None:
        """The next samples, shape (frames,); `start_s` is the host time of the first."""
        with self._lock:
            self._blocks.append((start_s, samples.copy()))
            while self._blocks[0][0] < start_s - KEPT_S:
                self._blocks.popleft()

    def between(self, from_s: float, to_s: float) -> Stretch | None:
        """As `Microphones.recorded`. The blocks' times are noisy, so they are taken together."""
        with self._lock:
            kept = list(self._blocks)
        kept = [
            (start_s, samples)
            for start_s, samples in kept
            if start_s + len(samples) / self._rate_hz > from_s - _GAP_S and start_s < to_s + _GAP_S
        ]
        if not kept:
            return None
        lengths_s = np.array([len(samples) for _, samples in kept]) / self._rate_hz
        starts_s = np.array([start_s for start_s, _ in kept])
        offsets_s = starts_s - np.concatenate([[0.0], np.cumsum(lengths_s)[:-1]])
        first_s = float(np.median(offsets_s))
        if float(np.ptp(offsets_s)) > _GAP_S:
            return None
        if first_s > from_s or first_s + float(lengths_s.sum()) < to_s:
            return None
        line = np.concatenate([samples for _, samples in kept])
        return Stretch(samples=line[:, None], rate_hz=self._rate_hz, start_s=first_s)
