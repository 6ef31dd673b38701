"""Loudness, true peak and A-weighted level against the signals of their standards."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from cuesync.errors import ClipError
from cuesync.hearing.loudness import (
    Loudness,
    a_weighted_level_db,
    integrated_lufs,
    measure_loudness,
    momentary_max_lufs,
    short_term_max_lufs,
    true_peak_db,
)
from tests import outside


def stereo_tone(parts: list[tuple[float, float]], rate_hz: int, frequency_hz: float = 1000.0) -> np.ndarray:
    """The same sine left and right; parts are (level in dBFS of the sine's peak, seconds)."""
    gains = [np.full(round(length_s * rate_hz), 10 ** (level_db / 20)) for level_db, length_s in parts]
    gain = np.concatenate(gains)
    line = gain * np.sin(2 * np.pi * frequency_hz * np.arange(len(gain)) / rate_hz)
    return np.stack([line, line], axis=1)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000, 192000])
def test_997_hz_at_full_scale_in_one_channel(rate_hz: int) -> None:
    """ITU-R BS.1770: −3.01 LKFS."""
    line = np.sin(2 * np.pi * 997 * np.arange(5 * rate_hz) / rate_hz)
    one_of_two = np.stack([line, np.zeros_like(line)], axis=1)
    assert integrated_lufs(line, rate_hz) == pytest.approx(-3.01, abs=0.01)
    assert integrated_lufs(one_of_two, rate_hz) == pytest.approx(-3.01, abs=0.01)
    assert integrated_lufs(one_of_two[:, ::-1], rate_hz) == pytest.approx(-3.01, abs=0.01)


@pytest.mark.parametrize(
    ("parts", "expected_lufs"),
    [
        ([(-23.0, 20.0)], -23.0),
        ([(-33.0, 20.0)], -33.0),
        ([(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)], -23.0),
        ([(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)], -23.0),
    ],
)
@pytest.mark.parametrize("rate_hz", [44100, 48000])
def test_integrated_loudness_of_ebu_signals(
    parts: list[tuple[float, float]], expected_lufs: float, rate_hz: int
) -> None:
    """EBU Tech 3341, stereo 1 kHz, ±0.1 LU."""
    assert integrated_lufs(stereo_tone(parts, rate_hz), rate_hz) == pytest.approx(expected_lufs, abs=0.1)


@pytest.mark.parametrize("offset_s", np.arange(20) * 0.15)
def test_short_term_maximum(offset_s: float) -> None:
    """EBU Tech 3341 (from memory): 3 s at −23 dBFS after a silence of any length read −23 ±0.1."""
    sound = stereo_tone([(-200.0, offset_s), (-23.0, 3.0), (-200.0, 1.0)], 48000)
    assert short_term_max_lufs(sound, 48000) == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("offset_s", np.arange(20) * 0.02)
def test_momentary_maximum(offset_s: float) -> None:
    """EBU Tech 3341 (from memory): 0.4 s at −23 dBFS after a silence of any length read −23 ±0.1."""
    sound = stereo_tone([(-200.0, offset_s), (-23.0, 0.4), (-200.0, 1.0)], 48000)
    assert momentary_max_lufs(sound, 48000) == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize(
    ("divisor", "phase_deg", "peak", "expected_db"),
    [
        (4, 0.0, 0.5, -6.0),
        (4, 45.0, 0.5, -6.0),
        (6, 60.0, 0.5, -6.0),
        (8, 67.5, 0.5, -6.0),
        (4, 45.0, 1.41, 3.0),
    ],
)
@pytest.mark.parametrize("rate_hz", [8000, 44100, 48000, 96000, 192000])
def test_true_peak_of_ebu_signals(
    divisor: int, phase_deg: float, peak: float, expected_db: float, rate_hz: int
) -> None:
    """EBU Tech 3341, sine at a part of the sample rate, tolerance +0.2/−0.4 dB.

    Faded in and out: a sine cut off bluntly has higher peaks of its own.
    """
    at = np.arange(rate_hz)
    fade = np.minimum(np.minimum(at, at[::-1]) / (0.1 * rate_hz), 1.0)
    line = peak * fade * np.sin(2 * np.pi * at / divisor + np.radians(phase_deg))
    assert expected_db - 0.4 <= true_peak_db(line, rate_hz) <= expected_db + 0.2


@given(frequency=st.floats(0.01, 0.4), phase=st.floats(0, 2 * np.pi), rate_hz=st.sampled_from([44100, 48000]))
@settings(max_examples=30)
def test_true_peak_of_any_sine(frequency: float, phase: float, rate_hz: int) -> None:
    """The peak of a sine is its amplitude, whatever the sampling instants see of it."""
    at = np.arange(rate_hz // 4)
    fade = np.minimum(np.minimum(at, at[::-1]) / 2000, 1.0)
    line = 0.7 * fade * np.sin(2 * np.pi * frequency * at + phase)
    assert true_peak_db(line, rate_hz) == pytest.approx(20 * np.log10(0.7), abs=0.45)


A_TABLE_DB = {
    15: -39.4,
    18: -26.2,
    21: -16.1,
    24: -8.6,
    27: -3.2,
    30: 0,
    33: 1.2,
    36: 1.0,
    39: -1.1,
    42: -6.6,
}


@pytest.mark.parametrize("rate_hz", [44100, 48000, 192000])
@pytest.mark.parametrize(("tenth_decade", "expected_db"), A_TABLE_DB.items())
def test_a_weighted_tones(tenth_decade: int, expected_db: float, rate_hz: int) -> None:
    """IEC 61672-1:2013, table 3, on tones of 4 s; the level of a full-scale sine itself is −3.01 dB."""
    at = np.arange(4 * rate_hz)
    fade = np.sin(np.pi * (at + 0.5) / len(at)) ** 2
    line = fade * np.sin(2 * np.pi * 10 ** (tenth_decade / 10) * at / rate_hz)
    unweighted_db = 10 * np.log10(np.mean(line**2))
    assert a_weighted_level_db(line, rate_hz) - unweighted_db == pytest.approx(expected_db, abs=0.06)


def test_a_weighted_level_adds_power_over_channels_and_time() -> None:
    tone = np.sin(2 * np.pi * 1000 * np.arange(96000) / 48000)
    assert a_weighted_level_db(tone, 48000) == pytest.approx(-3.01, abs=0.01)
    assert a_weighted_level_db(np.stack([tone, tone], axis=1), 48000) == pytest.approx(0.0, abs=0.01)
    half_silent = np.concatenate([tone, np.zeros_like(tone)])
    assert a_weighted_level_db(half_silent, 48000) == pytest.approx(-6.02, abs=0.01)


@pytest.mark.outside_data
@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed here")
@pytest.mark.parametrize(
    ("package", "name"),
    [
        ("sonic-pi-samples", "loop_3d_printer.flac"),
        ("sonic-pi-samples", "loop_amen_full.flac"),
        ("sonic-pi-samples", "ambi_choir.flac"),
        ("sonic-pi-samples", "misc_cineboom.flac"),
    ],
)
def test_real_clips_measure_as_in_ffmpeg(tmp_path: Path, package: str, name: str) -> None:
    """ffmpeg's ebur128 filter (libavfilter's own implementation); it shows one decimal.

    Mono would be read by its own rule there, so the clip goes in as stereo with a silent right side.
    """
    samples, rate_hz = outside.sound(package, name)
    stereo = np.zeros((len(samples), 2))
    stereo[:, 0] = samples if samples.ndim == 1 else samples[:, 0]
    path = tmp_path / "stereo.wav"
    soundfile.write(path, stereo, rate_hz, subtype="FLOAT")
    talk = subprocess.run(
        ["ffmpeg", "-hide_banner", "-nostats", "-i", path, "-af", "ebur128=peak=true", "-f", "null", "-"],
        capture_output=True,
        text=True,
        check=True,
    ).stderr
    summary = talk[talk.index("Summary:") :]
    integrated = re.search(r"I:\s+(-?[\d.]+) LUFS", summary)
    peak = re.search(r"Peak:\s+(-?[\d.]+) dBFS", summary)
    assert integrated is not None
    assert peak is not None
    assert integrated_lufs(stereo, rate_hz) == pytest.approx(float(integrated[1]), abs=0.1)
    assert true_peak_db(stereo, rate_hz) == pytest.approx(float(peak[1]), abs=0.2)


def test_silence_is_minus_infinity() -> None:
    assert measure_loudness(np.zeros((48000, 2)), 48000) == Loudness(
        integrated_lufs=-np.inf,
        short_term_max_lufs=-np.inf,
        momentary_max_lufs=-np.inf,
        true_peak_db=-np.inf,
        a_weighted_level_db=-np.inf,
    )


def test_an_empty_clip_is_refused() -> None:
    with pytest.raises(ClipError, match="the clip is empty"):
        measure_loudness(np.zeros((0, 2)), 48000)


def test_a_clip_shorter_than_a_block_is_measured_over_its_own_length() -> None:
    sound = stereo_tone([(-23.0, 0.3)], 48000)
    assert integrated_lufs(sound, 48000) == pytest.approx(-23.0, abs=0.1)
    assert short_term_max_lufs(sound, 48000) == pytest.approx(-23.0, abs=0.1)


@given(
    gain_db=st.floats(-20, 0), seed=st.integers(0, 2**32 - 1), rate_hz=st.sampled_from([8000, 44100, 48000])
)
@settings(max_examples=20)
def test_a_gain_moves_every_level_by_itself(gain_db: float, seed: int, rate_hz: int) -> None:
    sound = np.random.default_rng(seed).normal(scale=0.1, size=(rate_hz, 2))
    before = measure_loudness(sound, rate_hz)
    after = measure_loudness(sound * 10 ** (gain_db / 20), rate_hz)
    for field in (
        "integrated_lufs",
        "short_term_max_lufs",
        "momentary_max_lufs",
        "true_peak_db",
        "a_weighted_level_db",
    ):
        assert getattr(after, field) - getattr(before, field) == pytest.approx(gain_db, abs=1e-6)


def test_everything_at_once_is_everything_one_by_one() -> None:
    sound = np.random.default_rng(3).normal(scale=0.1, size=(200_000, 2))
    assert measure_loudness(sound, 48000) == Loudness(
        integrated_lufs=integrated_lufs(sound, 48000),
        short_term_max_lufs=short_term_max_lufs(sound, 48000),
        momentary_max_lufs=momentary_max_lufs(sound, 48000),
        true_peak_db=true_peak_db(sound, 48000),
        a_weighted_level_db=a_weighted_level_db(sound, 48000),
    )
