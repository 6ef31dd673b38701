"""How loud a clip is: ITU-R BS.1770 loudness, true peak, and A-weighted level.

Samples have shape (frames,) or (frames, channels), full scale = 1. Every channel counts with weight 1, as
BS.1770 has it for left, right and centre. Silence measures minus infinity.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cuesync.errors import ClipError
from cuesync.hearing.weighting import a_weighting_gain, filtered_blocks, k_weighted_power

_OFFSET_LU = -0.691
_ABSOLUTE_GATE_LUFS = -70.0
_RELATIVE_GATE_LU = -10.0
_GATE_BLOCK_S = 0.4
_GATE_STEP_S = 0.1
_MOMENTARY_S = 0.4
_SHORT_TERM_S = 3.0

_PEAK_RATE_HZ = 192_000
_PEAK_FACTOR = 4
_PEAK_TAPS = 48


@dataclass(frozen=True, slots=True, kw_only=True)
class Loudness:
    """The loudness of one clip.

    `integrated_lufs`: the clip as a whole, gated. `short_term_max_lufs`, `momentary_max_lufs`: its loudest
    3 s and 0.4 s. `true_peak_db`: the largest value between the samples, 0 = full scale.
    `a_weighted_level_db`: the mean level, 0 = root mean square of 1.
    """

    integrated_lufs: float
    short_term_max_lufs: float
    momentary_max_lufs: float
    true_peak_db: float
    a_weighted_level_db: float


def measure_loudness(samples: ArrayLike, rate_hz: float) -> Loudness:
    """Measure everything at once. Raises ClipError on an empty clip."""
    signal = _frames(samples)
    energy = _k_weighted_energy(signal, rate_hz)
    return Loudness(
        integrated_lufs=_integrated(energy, rate_hz),
        short_term_max_lufs=_loudest(energy, rate_hz, _SHORT_TERM_S),
        momentary_max_lufs=_loudest(energy, rate_hz, _MOMENTARY_S),
        true_peak_db=true_peak_db(signal, rate_hz),
        a_weighted_level_db=a_weighted_level_db(signal, rate_hz),
    )


def integrated_lufs(samples: ArrayLike, rate_hz: float) -> float:
    """Integrated loudness with both gates (BS.1770, annex 1).

    A clip shorter than one gating block of 0.4 s, where the standard gives no value, is one block of its
    own length. Raises ClipError on an empty clip.
    """
    return _integrated(_k_weighted_energy(_frames(samples), rate_hz), rate_hz)


def short_term_max_lufs(samples: ArrayLike, rate_hz: float) -> float:
    """The largest short-term loudness: a 3 s window (EBU Tech 3341), moved sample by sample.

    A shorter clip is measured over its own length. Raises ClipError on an empty clip.
    """
    return _loudest(_k_weighted_energy(_frames(samples), rate_hz), rate_hz, _SHORT_TERM_S)


def momentary_max_lufs(samples: ArrayLike, rate_hz: float) -> float:
    """As `short_term_max_lufs` with the 0.4 s window of momentary loudness."""
    return _loudest(_k_weighted_energy(_frames(samples), rate_hz), rate_hz, _MOMENTARY_S)


def true_peak_db(samples: ArrayLike, rate_hz: float) -> float:
    """The largest absolute value between the samples, in dB (BS.1770, annex 2).

    Oversampled at least four times and to 192 kHz or more. Raises ClipError on an empty clip.
    """
    signal = _frames(samples)
    factor = max(_PEAK_FACTOR, int(np.ceil(_PEAK_RATE_HZ / rate_hz)))
    peak = float(np.abs(signal).max())
    padded = np.concatenate([signal, np.zeros((_PEAK_TAPS // 2, signal.shape[1]))])
    for phase in range(1, factor):
        for _, block in filtered_blocks(padded, _between(phase / factor)):
            peak = max(peak, float(np.abs(block).max()))
    return _db(peak**2)


def _between(fraction: float) -> NDArray[np.float64]:
    """Windowed sinc that reads the signal `fraction` of a sample after the middle of its taps."""
    at = np.arange(_PEAK_TAPS) - _PEAK_TAPS // 2 + 1.0 - fraction
    window = np.i0(8.0 * np.sqrt(np.maximum(1.0 - (at / (_PEAK_TAPS // 2)) ** 2, 0.0))) / np.i0(8.0)
    taps: NDArray[np.float64] = np.sinc(at) * window
    return taps[::-1]


def a_weighted_level_db(samples: ArrayLike, rate_hz: float) -> float:
    """Mean A-weighted level over the whole clip, in dB; 0 dB is a root mean square of 1.

    A full-scale 1 kHz sine thus reads −3.01 dB. The power of all channels is added. Add the calibration of
    the loudspeaker (dB SPL at full scale) for a level in dBA. The weighting is the analogue curve itself,
    put on overlapping spectra of one second, so no filter bends it near half the sample rate.
    Raises ClipError on an empty clip.
    """
    signal = _frames(samples)
    half = max(round(rate_hz / 2), 1)
    points = 2 * half
    window = np.sin(np.pi * (np.arange(points) + 0.5) / points)  # its squares overlap to 1
    gain = a_weighting_gain(np.fft.rfftfreq(points, 1 / rate_hz)) ** 2
    gain[1:-1] *= 2.0  # negative frequencies
    frames, channels = signal.shape
    energy = 0.0
    for start in range(-half, frames, half):
        piece = np.zeros((channels, points))
        first, stop = max(start, 0), min(start + points, frames)
        piece[:, first - start : stop - start] = signal[first:stop].T
        spectrum = np.fft.rfft(piece * window)
        energy += float(((spectrum.real**2 + spectrum.imag**2) @ gain).sum()) / points
    return _db(energy / frames)


def _frames(samples: ArrayLike) -> NDArray[np.float64]:
    signal = np.asarray(samples, dtype=np.float64)
    if signal.ndim == 1:
        signal = signal[:, None]
    if signal.size == 0:
        raise ClipError("the clip is empty. Choose another clip, or export this one again.")
    return signal


def _k_weighted_energy(signal: NDArray[np.float64], rate_hz: float) -> NDArray[np.float64]:
    """Running sum of the K-weighted power of all channels; shape (frames + 1,), starting with 0."""
    return np.concatenate([[0.0], np.cumsum(k_weighted_power(signal, rate_hz))])


def _integrated(energy: NDArray[np.float64], rate_hz: float) -> float:
    frames = len(energy) - 1
    block = round(_GATE_BLOCK_S * rate_hz)
    if frames < block:
        return _lufs(float(energy[-1]) / frames)
    steps = int((frames - block) / (_GATE_STEP_S * rate_hz)) + 1
    starts = np.round(np.arange(steps) * _GATE_STEP_S * rate_hz).astype(np.intp)
    starts = starts[starts + block <= frames]
    power = (energy[starts + block] - energy[starts]) / block
    for gate in (_power(_ABSOLUTE_GATE_LUFS), None):
        # the second gate hangs on what the first one let through
        floor = gate if gate is not None else power.mean() * 10 ** (_RELATIVE_GATE_LU / 10)
        power = power[power > floor]
        if not power.size:
            return float("-inf")
    return _lufs(float(power.mean()))


def _loudest(energy: NDArray[np.float64], rate_hz: float, window_s: float) -> float:
    frames = len(energy) - 1
    window = min(round(window_s * rate_hz), frames)
    return _lufs(float((energy[window:] - energy[:-window]).max()) / window)


def _lufs(power: float) -> float:
    return _db(power) + _OFFSET_LU


def _power(lufs: float) -> float:
    return float(10 ** ((lufs - _OFFSET_LU) / 10))


def _db(power: float) -> float:
    return 10.0 * float(np.log10(power)) if power > 0 else float("-inf")
