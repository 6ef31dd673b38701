"""Weightings that make a level follow the ear: K (ITU-R BS.1770) and A (IEC 61672-1), at any sample rate.

Filters are run in the frequency domain, in blocks whose size does not depend on the length of the sound.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

Biquad = tuple[tuple[float, float, float], tuple[float, float, float]]
"""Numerator and denominator in powers of z⁻¹, the denominator starting with 1."""

# ITU-R BS.1770, annex 1, tables 1 and 2: the two stages at 48 kHz
_STAGES_AT_48K: tuple[Biquad, Biquad] = (
    (
        (1.53512485958697, -2.69169618940638, 1.19839281085285),
        (1.0, -1.69065929318241, 0.73248077421585),
    ),
    ((1.0, -2.0, 1.0), (1.0, -1.99004745483398, 0.99007225036621)),
)
_TABLE_RATE_HZ = 48_000.0

_LOW_CUT_HZ = 100.0
_HIGH_CUT_HZ = 20_000.0
_ROOM_ABOVE = 3.0

_TAIL_S = 0.16
"""After this time a filter's answer to an impulse is below 1e-15: the slowest poles lie at 38 Hz."""


def k_weighting(rate_hz: float) -> tuple[Biquad, Biquad]:
    """Both stages of the K weighting (shelf, then high-pass) for `rate_hz`.

    The table's 48 kHz filters are taken back to their analogue prototype (inverse bilinear transform) and
    transformed again for `rate_hz` with the pole frequency of each stage kept in place.
    """
    shelf, high_pass = _STAGES_AT_48K
    return _at_rate(shelf, rate_hz), _at_rate(high_pass, rate_hz)


def _at_rate(stage: Biquad, rate_hz: float) -> Biquad:
    # in the variable s = (1 - z⁻¹) / (1 + z⁻¹), which is j·tan(πf/rate) on the unit circle
    top, bottom = (_to_analogue(part) for part in stage)
    old = np.sqrt(bottom[2] / bottom[0])
    pole_hz = np.arctan(old) * _TABLE_RATE_HZ / np.pi
    stretch = old / np.tan(np.pi * pole_hz / rate_hz)
    powers = stretch ** np.array([2.0, 1.0, 0.0])
    b, a = _to_digital(top * powers), _to_digital(bottom * powers)
    b, a = b / a[0], a / a[0]
    return (float(b[0]), float(b[1]), float(b[2])), (1.0, float(a[1]), float(a[2]))


def _to_analogue(part: tuple[float, float, float]) -> NDArray[np.float64]:
    """Coefficients of s², s, 1 from those of 1, z⁻¹, z⁻²."""
    c0, c1, c2 = part
    return np.array([c0 - c1 + c2, 2.0 * (c0 - c2), c0 + c1 + c2])


def _to_digital(part: NDArray[np.float64]) -> NDArray[np.float64]:
    """Coefficients of 1, z⁻¹, z⁻² from those of s², s, 1."""
    s2, s1, s0 = part
    return np.array([s2 + s1 + s0, 2.0 * (s0 - s2), s2 - s1 + s0])


def k_weighted_power(samples: NDArray[np.floating], rate_hz: float) -> NDArray[np.float64]:
    """Power of `samples`, shape (frames, channels), behind the K weighting, summed over channels.

    Shape (frames,). The sound is taken to be silent before its first sample.
    """
    return _power_behind(samples, _impulse(k_weighting(rate_hz), rate_hz))


def heard_power(samples: NDArray[np.floating], rate_hz: float) -> NDArray[np.float64]:
    """As `k_weighted_power`, with less of what the ear hardly hears or doesn't hear at all.

    At 80 phon a 50 Hz tone needs some 21 dB more than one of 1 kHz (ISO 226, from memory); the K weighting
    takes only 4 dB off, and leaves a rumble louder than it is heard. A second-order high-pass at 100 Hz
    brings that to 16 dB. Where the sample rate leaves room, a fourth-order low-pass at 20 kHz takes off
    ultrasound, which the K weighting raises by 4 dB.
    """
    stages: tuple[Biquad, ...] = (
        *k_weighting(rate_hz),
        _butterworth(_LOW_CUT_HZ, rate_hz, np.array([1.0, 0.0, 0.0])),
    )
    if rate_hz >= _ROOM_ABOVE * _HIGH_CUT_HZ:
        stages += (_butterworth(_HIGH_CUT_HZ, rate_hz, np.array([0.0, 0.0, 1.0])),) * 2
    return _power_behind(samples, _impulse(stages, rate_hz))


def _butterworth(corner_hz: float, rate_hz: float, top: NDArray[np.float64]) -> Biquad:
    """Second order by the bilinear transform; `top` says which power of s is passed (s² high, 1 low)."""
    corner = np.tan(np.pi * corner_hz / rate_hz)
    powers = np.array([1.0, corner, corner**2])
    b = _to_digital(top * powers)
    a = _to_digital(np.array([1.0, np.sqrt(2.0), 1.0]) * powers)
    b, a = b / a[0], a / a[0]
    return (float(b[0]), float(b[1]), float(b[2])), (1.0, float(a[1]), float(a[2]))


def _power_behind(samples: NDArray[np.floating], impulse: NDArray[np.float64]) -> NDArray[np.float64]:
    power = np.empty(len(samples))
    for start, block in filtered_blocks(samples, impulse):
        power[start : start + block.shape[1]] = np.einsum("cf,cf->f", block, block)
    return power


@lru_cache(maxsize=8)
def _impulse(stages: tuple[Biquad, ...], rate_hz: float) -> NDArray[np.float64]:
    """Impulse response of all stages in a row, cut where it has died away."""
    taps = int(np.ceil(_TAIL_S * rate_hz))
    points = 1 << (2 * taps).bit_length()
    delay = np.exp(-2j * np.pi * np.arange(points // 2 + 1) / points)
    response = np.ones(len(delay), dtype=complex)
    for b, a in stages:
        response *= np.polynomial.polynomial.polyval(delay, b) / np.polynomial.polynomial.polyval(delay, a)
    impulse: NDArray[np.float64] = np.fft.irfft(response, points)[:taps]
    impulse.setflags(write=False)
    return impulse


def filtered_blocks(
    samples: NDArray[np.floating], impulse: NDArray[np.float64]
) -> Iterator[tuple[int, NDArray[np.float64]]]:
    """Causal convolution of every channel of `samples`, shape (frames, channels), with `impulse`.

    Yields (first frame, block of shape (channels, frames)) until the input's length is covered
    (overlap-save, so memory stays constant).
    """
    history = len(impulse) - 1
    points = max(1 << (4 * history).bit_length(), 4096)
    step = points - history
    response = np.fft.rfft(impulse, points)
    frames, channels = samples.shape
    for start in range(0, frames, step):
        stop = min(start + step, frames)
        piece = np.zeros((channels, points))
        first = max(start - history, 0)
        piece[:, history - (start - first) : history + stop - start] = samples[first:stop].T
        spectrum = np.fft.rfft(piece)
        spectrum *= response
        yield start, np.fft.irfft(spectrum, points)[:, history : history + stop - start]


def a_weighting_db(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Gain of the A weighting in dB at `frequency_hz` (0 dB at 1 kHz), same shape.

    Formula of IEC 61672-1:2013, annex E, with its pole frequencies.
    """
    with np.errstate(divide="ignore"):
        gain_db: NDArray[np.float64] = 20.0 * np.log10(a_weighting_gain(frequency_hz))
    return gain_db


def a_weighting_gain(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """The A weighting as a factor on the amplitude; 1 at 1 kHz, 0 at 0 Hz."""
    one_khz: NDArray[np.float64] = _a_shape(np.array(1000.0))
    gain: NDArray[np.float64] = _a_shape(np.asarray(frequency_hz, dtype=np.float64)) / one_khz
    return gain


def _a_shape(frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    f1_hz, f2_hz, f3_hz, f4_hz = 20.598997, 107.65265, 737.86223, 12194.217
    square = frequency_hz**2
    shape: NDArray[np.float64] = (f4_hz**2 * square**2) / (
        (square + f1_hz**2) * np.sqrt(square + f2_hz**2) * np.sqrt(square + f3_hz**2) * (square + f4_hz**2)
    )
    return shape
