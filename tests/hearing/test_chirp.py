"""The chirp: found in noise and rooms, timed as well as theory allows, never mixed up with a bang."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from cuesync.hearing.chirp import CHIRP_S, HIGH_HZ, LOW_HZ, chirp_signal, find_chirps

Samples = NDArray[np.float64]
RATE_HZ = 48000


def delayed(start: float, frames: int, rate_hz: float = RATE_HZ, stretch: float = 1.0) -> Samples:
    """A chirp that starts between samples, on a recorder whose clock runs `stretch` times as fast."""
    size = 1 << (2 * frames).bit_length()
    first = int(start)
    chirp = chirp_signal(rate_hz * stretch).astype(np.float64)
    spectrum = np.fft.rfft(chirp, size)
    turn = np.exp(-2j * np.pi * np.arange(len(spectrum)) * (start - first) / size)
    line = np.zeros(frames)
    moved = np.fft.irfft(spectrum * turn, size)[: len(chirp) + 64]
    line[first : first + len(moved)] += moved
    return line


def in_noise(snr_db: float, seed: int, starts: list[float], frames: int = RATE_HZ * 2) -> Samples:
    """Chirps over white noise; the ratio is that of their powers while a chirp sounds."""
    rng = np.random.default_rng(seed)
    line = np.sum([delayed(start, frames) for start in starts], axis=0)
    power = float(np.mean(chirp_signal(RATE_HZ).astype(np.float64) ** 2))
    noisy: Samples = line + np.sqrt(power * 10.0 ** (-snr_db / 10.0)) * rng.standard_normal(frames)
    return noisy


def cramer_rao_s(snr_db: float) -> float:
    """Bound for the delay of a known signal in white noise with unknown phase (from memory: Kay 1993, ch. 3).

    var = 1 / (2 E/N0 · (2π · rms bandwidth about the centre)²), for a flat band of width B: B/√12.
    """
    energy_ratio = 2.0 * 10.0 ** (snr_db / 10.0) * CHIRP_S * RATE_HZ / 2.0
    return float(1.0 / (2.0 * np.pi * (HIGH_HZ - LOW_HZ) / np.sqrt(12.0) * np.sqrt(energy_ratio)))


@pytest.mark.parametrize(("snr_db", "most_s"), [(20.0, 20e-6), (0.0, 50e-6), (-10.0, 200e-6)])
def test_standard_error_in_noise(snr_db: float, most_s: float) -> None:
    errors, stated = [], []
    for seed in range(40):
        start = 30000.0 + np.random.default_rng(seed).random()
        found = find_chirps(in_noise(snr_db, seed, [start]), RATE_HZ)
        assert len(found) == 1
        errors.append(found[0].start_s - start / RATE_HZ)
        stated.append(found[0].error_s)
    real = float(np.sqrt(np.mean(np.square(errors))))
    assert real <= most_s
    assert abs(float(np.mean(errors))) < 3.0 * real / np.sqrt(len(errors)) + 0.2e-6
    # the window that keeps side lobes down costs a part of the bandwidth
    assert 0.7 < real / cramer_rao_s(snr_db) < 3.0 or real < 1e-6
    assert 0.4 < real / float(np.mean(stated)) < 2.5 or real < 1e-6


def test_the_first_arrival_counts_not_the_strongest_echo() -> None:
    rng = np.random.default_rng(7)
    for seed in range(10):
        direct = delayed(20000.0, RATE_HZ)
        at_s = np.arange(int(0.6 * RATE_HZ)) / RATE_HZ
        room = 0.05 * rng.standard_normal(len(at_s)) * 10.0 ** (-3.0 * at_s / 0.6)
        room[: int(0.002 * RATE_HZ)] = 0.0
        room[0] = 1.0
        room[int((0.004 + 0.002 * seed) * RATE_HZ)] = 1.6
        size = 1 << (2 * RATE_HZ).bit_length()
        heard = np.fft.irfft(np.fft.rfft(direct, size) * np.fft.rfft(room, size), size)[:RATE_HZ]
        found = find_chirps(heard + 1e-3 * rng.standard_normal(RATE_HZ), RATE_HZ)
        assert len(found) == 1
        assert found[0].start_s == pytest.approx(20000.0 / RATE_HZ, abs=1e-4)


@pytest.mark.parametrize("stretch", [1.0 - 1e-4, 1.0 + 1e-4])
def test_a_clock_that_is_off_by_100_ppm(stretch: float) -> None:
    found = find_chirps(delayed(20000.25, RATE_HZ, stretch=stretch), RATE_HZ)
    assert len(found) == 1
    assert found[0].start_s == pytest.approx(20000.25 / RATE_HZ, abs=20e-6)


@pytest.mark.parametrize("rate_hz", [8000, 22050, 44100, 96000, 192000])
def test_every_rate(rate_hz: int) -> None:
    frames = 2 * rate_hz
    rng = np.random.default_rng(3)
    line = delayed(0.7 * rate_hz, frames, rate_hz) + 0.1 * rng.standard_normal(frames)
    found = find_chirps(line.astype(np.float32), rate_hz)
    assert [one.start_s for one in found] == pytest.approx([0.7], abs=40e-6)


def test_bangs_noise_tones_and_silence_are_no_chirps() -> None:
    rng = np.random.default_rng(5)
    frames = 20 * RATE_HZ
    bangs = 1e-3 * rng.standard_normal(frames)
    for at in range(RATE_HZ, frames - RATE_HZ, RATE_HZ // 2):
        length = int(rng.integers(50, 4000))
        bangs[at : at + length] += rng.standard_normal(length) * np.exp(-5.0 * np.arange(length) / length)
    assert find_chirps(bangs, RATE_HZ) == []
    assert find_chirps(rng.standard_normal(frames), RATE_HZ) == []
    tones = np.sin(2.0 * np.pi * 1000.0 * np.arange(frames) / RATE_HZ) * (np.arange(frames) // 9000 % 2.0)
    assert find_chirps(tones, RATE_HZ) == []
    assert find_chirps(np.zeros(frames), RATE_HZ) == []
    assert find_chirps(np.zeros(10), RATE_HZ) == []


def test_a_rate_too_low_for_any_chirp() -> None:
    with pytest.raises(ValueError, match="at least 2667 Hz"):
        chirp_signal(2000)


@settings(max_examples=15)
@given(shift=st.integers(0, 30_000), gain=st.floats(1e-4, 1e4), flip=st.booleans())
def test_shifting_scaling_and_flipping(shift: int, gain: float, flip: bool) -> None:
    line = in_noise(10.0, 11, [30000.5])
    moved = np.concatenate([1e-3 * np.random.default_rng(1).standard_normal(shift), line])
    first, again = find_chirps(line, RATE_HZ), find_chirps(moved * (-gain if flip else gain), RATE_HZ)
    assert len(first) == len(again) == 1
    assert again[0].start_s - shift / RATE_HZ == pytest.approx(first[0].start_s, abs=1e-6)
