"""A sound as it was decoded; what plans and loudness are reckoned from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Clip:
    """A decoded sound: `samples` float32, shape (frames, channels)."""

    name: str
    samples: NDArray[np.float32]
    rate_hz: int

    @property
    def length_s(self) -> float:
        return len(self.samples) / self.rate_hz
