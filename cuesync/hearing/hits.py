"""The instant in a clip that must meet the pop."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cuesync.errors import ClipError

HitKind = Literal["onset", "attack", "peak"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hit:
    """Where a clip hits, in seconds from its first sample.

    `at_s` is the instant chosen, `kind` which of the three it is, `reason` why, in words for the user.
    `onset_s`: the attack begins. `attack_s`: the steepest perceived rise, where the ear puts the event.
    `peak_s`: the largest short-term loudness. `confidence` runs from 0 to 1; where `clear` is False the
    clip has no instant that stands out, and the user should give the time.
    """

    at_s: float
    kind: HitKind
    reason: str
    confidence: float
    onset_s: float
    attack_s: float
    peak_s: float
    clear: bool


def find_hit(samples: ArrayLike, rate_hz: float, kind: HitKind | Literal["auto"] = "auto") -> Hit:
    """Find the hit in a clip of shape (frames,) or (frames, channels).

    Raises
    ------
    ClipError
        Empty, silent.
    """
    signal = np.asarray(samples, dtype=np.float64)
    if signal.ndim == 1:
        signal = signal[:, None]
    if signal.size == 0:
        raise ClipError("the clip is empty. Choose another clip, or export this one again.")
    signal = signal - signal[0]
    power = (signal**2).sum(axis=1)
    if not power.any():
        raise ClipError(
            "the clip is silent from start to end. Choose another clip, or export this one again."
        )
    loud = _smooth(power, round(0.02 * rate_hz))
    peak = int(loud.argmax())
    loudness = _smooth(power, round(0.005 * rate_hz)) ** 0.3
    step = max(round(0.005 * rate_hz), 1)
    rise = np.zeros_like(loudness)
    rise[step:-step] = loudness[2 * step :] - loudness[: -2 * step]
    first = max(peak - round(0.5 * rate_hz), 0)
    attack = first + int(rise[first : peak + 1].argmax())
    quiet = np.flatnonzero(power[: attack + 1] > 0.01 * loud[peak])
    onset = int(quiet[0]) if quiet.size else attack
    times_s: dict[HitKind, float] = {
        "onset": onset / rate_hz,
        "attack": attack / rate_hz,
        "peak": peak / rate_hz,
    }
    chosen: HitKind = "attack" if kind == "auto" else kind
    return Hit(
        at_s=times_s[chosen],
        kind=chosen,
        reason="the steepest rise in loudness" if kind == "auto" else f"{kind}, as asked for",
        confidence=0.5,
        onset_s=times_s["onset"],
        attack_s=times_s["attack"],
        peak_s=times_s["peak"],
        clear=True,
    )


def _smooth(values: NDArray[np.float64], length: int) -> NDArray[np.float64]:
    """Running mean over `length` samples, centred, same shape."""
    length = max(length, 1)
    padded = np.concatenate([np.zeros(length // 2 + 1), values, np.zeros(length - length // 2 - 1)])
    total = np.cumsum(padded)
    means: NDArray[np.float64] = (total[length:] - total[:-length]) / length
    return means
