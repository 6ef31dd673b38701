"""The chirp that marks a trigger through the show's own loudspeaker: made here, found here.

It is a linear sweep, so a matched filter squeezes it to a pulse of 1/bandwidth (Cook & Bernfeld, "Radar
Signals", 1967): 60 ms of sound become a mark of about 0.2 ms, and noise louder than the chirp doesn't
hide it. A bang is spread by the same filter over 60 ms, so that neither is taken for the other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

CHIRP_S = 0.06
LOW_HZ = 600.0
HIGH_HZ = 6600.0
FADE_S = 0.005

SEEN_CORRELATION = 0.08
"""Share of the sound's energy (squared correlation) from which a place counts as a chirp. In noise alone it
exceeds this once in about 10^13 places, for 360 = bandwidth × length."""

LEAST_CORRELATION = 0.2
"""Correlation of chirp and sound below which a place was no chirp after all (noise 10 dB above it: 0.3)."""

APART_S = 0.25
"""Two chirps are never closer than this; what follows a chirp sooner is its echo."""

FIRST_ARRIVAL_S = 0.05
"""How far ahead of the strongest arrival the first one is looked for."""

_SCAN_RATE_HZ = 15_000.0
_SCAN_FRAMES = 1 << 16

Samples = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChirpFinding:
    """One chirp: `start_s` of its first arrival, from the first sample; `error_s`, the standard error;
    `snr_db`, peak power over noise behind the matched filter; `correlation`, 0 … 1, of chirp and sound."""

    start_s: float
    error_s: float
    snr_db: float
    correlation: float


def chirp_signal(rate_hz: float) -> NDArray[np.float32]:
    """The chirp at `rate_hz`, shape (frames,), peak 1, float32.

    It sweeps from 600 to 6600 Hz in 60 ms: a telephone hears all of it. At a low rate the part
    above 0.45 × rate is left out, so that start and slope stay the same.
    """
    return _template(rate_hz).astype(np.float32)


def _template(rate_hz: float) -> Samples:
    slope = (HIGH_HZ - LOW_HZ) / CHIRP_S
    high_hz = min(HIGH_HZ, 0.45 * rate_hz)
    if high_hz < 2.0 * LOW_HZ:
        raise ValueError(f"a chirp needs a rate of at least {2.0 * LOW_HZ / 0.45:.0f} Hz, not {rate_hz:g}")
    length_s = (high_hz - LOW_HZ) / slope
    at_s = np.arange(int(length_s * rate_hz)) / rate_hz
    fade = np.minimum(1.0, np.minimum(at_s, length_s - at_s) / FADE_S)
    sweep: Samples = np.sin(np.pi * fade / 2.0) ** 2 * np.sin(
        2.0 * np.pi * (LOW_HZ + slope * at_s / 2.0) * at_s
    )
    return sweep


class ChirpScan:
    """Looks for chirps in one channel fed block by block; memory does not grow but by the finds.

    Works at about 15 kHz, where the whole sweep still fits; `places()` are good to a millisecond and are
    meant to be refined by `refine_chirp` on the recording itself.
    """

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self._every = max(1, int(rate_hz // _SCAN_RATE_HZ))
        self._rate = rate_hz / self._every
        template = _template(self._rate)
        self._length = len(template)
        size = _SCAN_FRAMES
        spectrum = np.fft.rfft(template, size)
        self._filter = np.conj(spectrum).astype(np.complex64)
        self._size = size
        # energy of a pure chirp behind the filter over its peak: turns a peak into a share of the energy
        own = np.fft.irfft(np.abs(spectrum) ** 2, size)
        self._pulse_frames = float(np.sum(own**2) / own[0] ** 2)
        self._waiting: list[NDArray[np.float32]] = []
        self._waiting_frames = 0
        self._rest = np.zeros(0, dtype=np.float32)
        self._done = 0
        self._places: list[tuple[float, float]] = []

    def feed(self, line: NDArray[np.float32]) -> None:
        """Take the next samples, shape (frames,)."""
        line = np.concatenate([self._rest, line]) if len(self._rest) else line
        count = len(line) // self._every
        self._rest = line[count * self._every :].copy()
        small = line[: count * self._every].reshape(count, self._every).mean(axis=1)
        self._waiting.append(small)
        self._waiting_frames += count
        while self._waiting_frames >= self._size:
            self._step(last=False)

    def places(self) -> list[tuple[float, float]]:
        """Time in seconds and squared correlation of every chirp; ends the scan."""
        while self._waiting_frames > self._length:
            self._step(last=True)
        found: list[tuple[float, float]] = []
        for at_s, value in self._places:
            if found and at_s - found[-1][0] < APART_S:
                if value > 4.0 * found[-1][1]:
                    found[-1] = (at_s, value)
            else:
                found.append((at_s, value))
        return found

    def _step(self, *, last: bool) -> None:
        line = np.concatenate(self._waiting)
        piece = line[: self._size]
        usable = self._size - self._length + 1
        if last and len(piece) < self._size:
            usable = len(piece)
        spectrum = np.fft.rfft(piece, self._size)
        matched = np.fft.irfft(spectrum * self._filter, self._size)[:usable]
        matched *= matched
        hop = max(1, int(0.002 * self._rate))
        count = usable // hop
        if count:
            tops = matched[: count * hop].reshape(count, hop)
            top = tops.max(axis=1)
            mean = tops.mean(axis=1)
            # energy of the sound in the chirp's band, seen through the same filter, over a chirp's length
            reach = round(CHIRP_S / 0.002)
            around = np.convolve(mean, np.ones(2 * reach + 1))[reach : reach + count] * hop
            share = top / np.maximum(around, 1e-30) * self._pulse_frames
            for index in np.flatnonzero(share > SEEN_CORRELATION):
                low, high = max(0, index - 15), index + 16
                if share[index] == share[low:high].max():
                    at = self._done + index * hop + int(np.argmax(tops[index]))
                    self._places.append((at / self._rate, float(min(1.0, share[index]))))
        advance = usable - usable % hop if not last or len(line) > usable else len(line)
        self._done += advance
        self._waiting = [line[advance:]]
        self._waiting_frames = len(self._waiting[0])


def refine_chirp(samples: Samples, rate_hz: float, near_frame: float) -> ChirpFinding | None:
    """The first arrival of the chirp that a scan saw near `near_frame` of `samples`, shape (frames,).

    `samples` should reach from 0.15 s before the place to 0.25 s after it. The envelope behind the matched
    filter is interpolated eightfold (zero-padded spectrum) and by a parabola after that. None where there
    is no chirp after all.
    """
    template = _template(rate_hz)
    size = 1 << int(len(samples) + len(template)).bit_length()
    spectrum = np.fft.rfft(samples, size) * np.conj(np.fft.rfft(template, size))
    frequencies_hz = np.fft.rfftfreq(size, 1.0 / rate_hz)
    high_hz = min(HIGH_HZ, 0.45 * rate_hz)
    band = (frequencies_hz >= LOW_HZ) & (frequencies_hz <= high_hz)
    weight = np.zeros(len(frequencies_hz))
    position = (frequencies_hz[band] - LOW_HZ) / (high_hz - LOW_HZ)
    # Hamming: side lobes 43 dB down, so that the foot of a strong arrival is not taken for an earlier one
    weight[band] = 0.54 - 0.46 * np.cos(2.0 * np.pi * position)
    up = 8
    padded = np.zeros(size * up, dtype=np.complex128)
    padded[: len(spectrum)] = spectrum * weight
    envelope = np.abs(np.fft.ifft(padded))[: len(samples) * up]
    reach = int(0.1 * rate_hz * up)
    middle = int(near_frame * up)
    low = max(0, middle - reach)
    part = envelope[low : middle + reach]
    if len(part) < 3:
        return None
    noise = float(np.sqrt(np.median(part**2) / np.log(2.0)))
    strongest = int(np.argmax(part))
    peak = float(part[strongest])
    if peak <= 5.0 * noise:
        return None
    first_from = max(1, strongest - int(FIRST_ARRIVAL_S * rate_hz * up))
    ahead = part[first_from - 1 : strongest + 2]
    tops = np.flatnonzero((ahead[1:-1] >= ahead[:-2]) & (ahead[1:-1] > ahead[2:])) + first_from
    loud = tops[part[tops] >= max(0.22 * peak, 5.0 * noise)]
    first = int(loud[0]) if len(loud) else strongest
    start = (low + first + _summit(part, first)) / up
    snr = float(part[first]) ** 2 / max(noise**2, 1e-12 * peak**2)
    # Cramér–Rao bound for a delay with unknown phase: 1 / (2π · rms bandwidth · sqrt(2 E/N0)),
    # and behind the matched filter the peak's power over the noise's is E/N0
    rms_hz = float(
        np.sqrt(np.average((frequencies_hz[band] - (LOW_HZ + high_hz) / 2.0) ** 2, weights=weight[band]))
    )
    error_s = 1.0 / (2.0 * np.pi * rms_hz * np.sqrt(2.0 * snr))
    begin = max(0, round(start))
    # only the chirp's band, or rumble would make any chirp look unlike itself
    banded = np.fft.irfft(np.fft.rfft(samples, size) * band, size)[begin : begin + len(template)]
    heard = float(np.sqrt(np.sum(banded**2) * np.sum(template**2)))
    compare = np.abs(np.fft.irfft(spectrum, size)[max(0, begin - 3) : begin + 4])
    alike = float(compare.max(initial=0.0)) / heard if heard > 0.0 else 0.0
    if alike < LEAST_CORRELATION:
        return None
    return ChirpFinding(
        start_s=start / rate_hz,
        error_s=float(error_s),
        snr_db=float(10.0 * np.log10(snr)),
        correlation=min(1.0, alike),
    )


def _summit(values: Samples, at: int) -> float:
    """Where the parabola through three values has its top, as an offset from `at` of −1 … 1."""
    if not 0 < at < len(values) - 1:
        return 0.0
    left, middle, right = np.log(np.maximum(values[at - 1 : at + 2], 1e-300))
    bend = left - 2.0 * middle + right
    return 0.0 if bend >= 0.0 else float(0.5 * (left - right) / bend)


def find_chirps(samples: NDArray[np.float32] | Samples, rate_hz: int) -> list[ChirpFinding]:
    """All chirps in `samples`, shape (frames,), in order of time; empty where there are none."""
    scan = ChirpScan(rate_hz)
    scan.feed(samples.astype(np.float32))
    found = []
    for at_s, _ in scan.places():
        start = max(0, int((at_s - 0.15) * rate_hz))
        window = samples[start : int((at_s + 0.25) * rate_hz)].astype(np.float64)
        finding = refine_chirp(window, rate_hz, at_s * rate_hz - start)
        if finding is not None:
            found.append(
                ChirpFinding(
                    start_s=finding.start_s + start / rate_hz,
                    error_s=finding.error_s,
                    snr_db=finding.snr_db,
                    correlation=finding.correlation,
                )
            )
    return found
