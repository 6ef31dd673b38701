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
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Samples = NDArray[np.float64]

ORDER = 32
"""Coefficients of the noise's model."""

TAIL = 4.0
"""Degrees of freedom of the noise's and the sound's distribution."""

SOUND_ORDER = 12
SOUND_FRAMES = 300
"""Coefficients of the starting sound's model, and how many samples it is made from."""


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


def quantile(values: ArrayLike, share: float) -> Any:
    """As `np.quantile` along the last axis where no value is NaN, for a fraction of its price on few."""
    values = np.asarray(values)
    place = share * (values.shape[-1] - 1)
    low = int(place)
    high = min(low + 1, values.shape[-1] - 1)
    ordered = np.partition(values, (low, high), axis=-1)
    below, above = ordered[..., low], ordered[..., high]
    return below + (above - below) * (place - low)


def median(values: ArrayLike) -> Any:
    """As `np.median` along the last axis, with the reserve of `quantile`."""
    return quantile(values, 0.5)


def low_view(samples: Samples, every: int) -> Samples:
    """Mean of each sample and the `every` − 1 before it: the low part of a sound, not smeared ahead."""
    if every == 1:
        return samples
    sums = np.cumsum(samples)
    means: Samples = sums / every
    means[every:] -= sums[:-every] / every
    return means


def prediction_error_filter(noises: Sequence[Samples], every: int = 1, order: int = ORDER) -> Samples:
    """Taps that turn noise like that of `noises` into white noise; shape (order · every + 1,).

    Single bangs are held down before the fit, so that ratchet clicks don't pass for the motor's sound. Each
    stretch counts alike, however loud. With silence the filter is the plain difference. With `every` above
    1 only each such tap is used, which resolves the lower frequencies of a `low_view` that much finer.
    """
    lags = np.zeros(order + 1)
    for noise in noises:
        lags += _correlations(noise, order, every)
    # white noise 40 dB below keeps the filter from digging in empty bands (a telephone's low-pass)
    taps = _solve(lags, 1e-4)
    if taps is None:
        return np.array([1.0, -1.0])
    return _spread(taps, every)


def _spread(taps: Samples, every: int) -> Samples:
    wide = np.zeros((len(taps) - 1) * every + 1)
    wide[::every] = taps
    return wide


def _correlations(noise: Samples, order: int, every: int) -> Samples:
    """Autocorrelation at lags 0 … order over that at 0, single bangs held down; zeros for silence."""
    if len(noise) < 8 * (order + 1) * every:
        return np.zeros(order + 1)
    noise = noise - noise.mean()
    limit = 4.0 * 1.4826 * float(median(np.abs(noise)))
    if limit <= 0.0:
        return np.zeros(order + 1)
    products = _products(np.clip(noise, -limit, limit), order, every)
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


def louder_from(samples: Samples) -> Samples:
    """How much likelier "louder from sample k on" is than no change, for k = 0 … n, in units of `aic_curve`.

    0 where it is not louder; shape (n + 1,).
    """
    curve = aic_curve(samples)
    gain: Samples = np.zeros(len(curve))
    places = np.flatnonzero(np.isfinite(curve))
    if len(places):
        count = len(samples)
        sums = np.cumsum(samples * samples)
        louder = places[(sums[-1] - sums[places - 1]) * places > sums[places - 1] * (count - places)]
        gain[louder] = count * np.log(sums[-1] / count) - curve[louder]
    return gain


def pick_start(sound: Samples, white: Samples, low: int, high: int, every: int = 1) -> Pick | None:
    """The most likely start between `low` and `high`; None where the sound never gets louder there.

    `white` is `sound` behind the noise's prediction-error filter. A first pick looks for the change of
    variance in `white`. Then the sound after it gets a model of its own, and the start is where "noise
    before, this sound after" is likeliest (the two-model form: Takanami & Kitagawa, "A new efficient
    procedure for the estimation of onset times of seismic waves", J. Phys. Earth 36, 1988).

    In a low view, `every` samples tell as much as one. The frame counts from the first sample of `sound`.
    The standard error is the spread of the likelihood around the pick, and never less than the 0.29 frames
    of rounding to a sample.
    """
    curve = start_curve(sound, white, low, high, every)
    if curve is None:
        return None
    part = white[low:high]
    at = int(np.argmin(curve))
    squares = part * part
    before = float(squares[:at].mean()) if at else 0.0
    after = float(squares[at : at + max(8, min(at, 128))].mean())
    if after <= before:
        return None
    likelihood = np.exp(np.maximum((curve[at] - curve) / (2.0 * every), -700.0))
    spread = float(np.sum(likelihood * (np.arange(len(curve)) - at) ** 2) / np.sum(likelihood))
    return Pick(
        frame=low + at,
        error_frames=float(np.sqrt(spread + 1.0 / 12.0)),
        gain_db=float(10.0 * np.log10(after / max(before, 1e-12 * float(squares.max())))),
    )


def start_curve(sound: Samples, white: Samples, low: int, high: int, every: int = 1) -> Samples | None:
    """Twice the negative log likelihood of a start at each frame of `pick_start`'s stretch; None without one.

    Shape (frames + 1,), from `low` on.
    """
    part = white[low:high]
    curve = aic_curve(part)
    at = int(np.argmin(curve))
    if not np.isfinite(curve[at]):
        return None
    fine = _two_models(sound, part, low, at, every)
    return curve if fine is None else fine


def _two_models(sound: Samples, part: Samples, low: int, at: int, every: int) -> Samples | None:
    """Twice the negative log likelihood of a start at k = 0 … len(part), or None without a model.

    `part` is the whitened sound from frame `low` on, `at` a first guess inside it.
    """
    begin = low + at
    after = sound[begin : begin + SOUND_FRAMES * every]
    if len(after) < 4 * SOUND_ORDER * every or at < 16:
        return None
    taps = _solve(_products(after - after.mean(), SOUND_ORDER, every), 1e-4)
    if taps is None:
        return None
    taps = _spread(taps, every)
    lead = min(low, len(taps) - 1)
    own = np.convolve(sound[low - lead : low + len(part)], taps)[lead : lead + len(part)]
    noise = float(np.mean(part[: at - 4] ** 2))
    tail = own[at + SOUND_ORDER // 2 :]
    rest = float(np.mean(tail**2)) if len(tail) >= 16 else 0.0
    if noise <= 0.0 or rest <= 0.0:
        return None
    # Student's t with few degrees of freedom: motors crackle, and one spark must not pass for the start
    heavy = TAIL + 1.0
    gain = np.log(noise / rest) + heavy * (
        np.log1p(part * part / (TAIL * noise)) - np.log1p(own * own / (TAIL * rest))
    )
    curve = np.full(len(part) + 1, np.inf)
    # likelihood of all samples from k on belonging to the sound
    curve[8:-8] = -np.cumsum(gain[::-1])[::-1][8:-7]
    return curve


def _products(samples: Samples, order: int, every: int) -> Samples:
    """Autocorrelation, not normalised, at lags 0, every … order · every."""
    size = _easy_length(len(samples) + order * every)
    spectrum = np.fft.rfft(samples, size)
    products: Samples = np.fft.irfft(spectrum.real**2 + spectrum.imag**2, size)[: order * every + 1 : every]
    return products


def _easy_length(least: int) -> int:
    """A length of at least `least` that a fast Fourier transform likes."""
    power = 1 << max(least - 1, 1).bit_length()
    return min(size for size in (power, power * 3 // 4, power * 5 // 8) if size >= least)


def _solve(lags: Samples, floor: float) -> Samples | None:
    """Prediction-error filter for autocorrelations at lags 0 … order; `floor` is added white noise."""
    order = len(lags) - 1
    if lags[0] <= 0.0:
        return None
    lags = lags.copy()
    lags[0] *= 1.0 + floor
    table = lags[np.abs(np.subtract.outer(np.arange(order), np.arange(order)))]
    return np.concatenate([[1.0], -np.linalg.solve(table, lags[1:])])
