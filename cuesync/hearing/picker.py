"""Where a sound starts, to the sample: whitening without ringing, and a likelihood picker.

* Whitening is the prediction-error filter of an autoregressive noise model (Makhoul, "Linear prediction: a
  tutorial review", Proc. IEEE 63, 1975). It is causal and minimum-phase, so nothing of a pop can appear
  before the pop.
* The picker is the two-segment variance form of the Akaike criterion (Maeda, "A method for reading and
  checking phase times in autoprocessing system of seismic wave data", Zisin 38, 1985).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]

ORDER = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class Pick:
    """A start: `frame` counts from the first sample given, `error_frames` is its standard error,
    `gain_db` how much louder it is after the start than before."""

    frame: int
    error_frames: float
    gain_db: float


def moving_mean(values: Samples, width: int) -> Samples:
    """Mean over `width` neighbouring values, centred; shape as `values`, shorter windows at both ends."""
    width = max(1, min(width, len(values)))
    sums = np.concatenate([[0.0], np.cumsum(values)])
    at = np.arange(len(values))
    low = np.maximum(at - (width - 1) // 2, 0)
    high = np.minimum(at + width // 2 + 1, len(values))
    means: Samples = (sums[high] - sums[low]) / (high - low)
    return means


def prediction_error_filter(noises: Sequence[Samples], order: int = ORDER) -> Samples:
    """Taps, shape (order + 1,), that turn noise like that of `noises` into white noise.

    Single bangs are held down before the fit, so that ratchet clicks don't pass for the motor's sound. Each
    stretch counts alike, however loud. With silence the filter is the plain difference.
    """
    lags = np.zeros(order + 1)
    for noise in noises:
        lags += _correlations(noise, order)
    if lags[0] <= 0.0:
        return np.array([1.0, -1.0])
    # white noise 70 dB below keeps the filter from digging in empty bands (a telephone's low-pass)
    lags[0] *= 1.0 + 1e-7
    table = lags[np.abs(np.subtract.outer(np.arange(order), np.arange(order)))]
    weights = np.linalg.solve(table, lags[1:])
    return np.concatenate([[1.0], -weights])


def _correlations(noise: Samples, order: int) -> Samples:
    """Autocorrelation at lags 0 … order over that at 0, single bangs held down; zeros for silence."""
    if len(noise) < 8 * (order + 1):
        return np.zeros(order + 1)
    noise = noise - noise.mean()
    limit = 4.0 * 1.4826 * float(np.median(np.abs(noise)))
    if limit <= 0.0:
        return np.zeros(order + 1)
    noise = np.clip(noise, -limit, limit)
    products = np.array([float(np.dot(noise[: len(noise) - lag], noise[lag:])) for lag in range(order + 1)])
    correlations: Samples = products / products[0]
    return correlations


def whiten(samples: Samples, taps: Samples) -> Samples:
    """Samples through the causal filter `taps`; shape kept. The first len(taps) − 1 are not settled."""
    return np.convolve(samples, taps)[: len(samples)]


def aic_curve(samples: Samples) -> Samples:
    """Akaike criterion of "the variance changes before sample k" for k = 0 … n; ends are infinite."""
    count = len(samples)
    curve = np.full(count + 1, np.inf)
    if count < 8:
        return curve
    sums = np.cumsum(samples * samples)
    floor = 1e-12 * sums[-1] / count
    if floor <= 0.0:
        return curve
    k = np.arange(2, count - 1)
    before = np.maximum(sums[k - 1] / k, floor)
    after = np.maximum((sums[-1] - sums[k - 1]) / (count - k), floor)
    curve[2 : count - 1] = k * np.log(before) + (count - k) * np.log(after)
    return curve


def pick_start(samples: Samples) -> Pick | None:
    """The most likely start in `samples`, where the variance goes up; None where it never does.

    The standard error is the spread of the likelihood exp(−AIC/2) around the pick, and never less than the
    0.29 frames of rounding to a sample.
    """
    curve = aic_curve(samples)
    at = int(np.argmin(curve))
    if not np.isfinite(curve[at]):
        return None
    squares = samples * samples
    before = float(squares[:at].mean())
    after = float(squares[at : at + max(8, at)].mean())
    if after <= before:
        return None
    floor = 1e-12 * float(squares.max())
    likelihood = np.exp(np.maximum((curve[at] - curve) / 2.0, -700.0))
    spread = float(np.sum(likelihood * (np.arange(len(curve)) - at) ** 2) / np.sum(likelihood))
    return Pick(
        frame=at,
        error_frames=float(np.sqrt(spread + 1.0 / 12.0)),
        gain_db=float(10.0 * np.log10(after / max(before, floor))),
    )
