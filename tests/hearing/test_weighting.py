"""The K and A weightings against their standards."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, freqz, lfilter, sosfilt

from cuesync.hearing.weighting import (
    a_weighting_db,
    filtered_blocks,
    heard_power,
    k_weighted_power,
    k_weighting,
)

RATES_HZ = (8000, 11025, 16000, 22050, 32000, 44100, 48000, 88200, 96000, 192000)


def k_gain_db(frequency_hz: np.ndarray, rate_hz: float) -> np.ndarray:
    response = np.ones(len(frequency_hz), dtype=complex)
    for b, a in k_weighting(rate_hz):
        response *= freqz(b, a, worN=frequency_hz, fs=rate_hz)[1]
    return 20 * np.log10(np.abs(response))


def test_k_filters_at_48_khz_are_those_of_the_table() -> None:
    """ITU-R BS.1770, annex 1, tables 1 and 2."""
    shelf, high_pass = k_weighting(48000)
    assert shelf[0] == pytest.approx((1.53512485958697, -2.69169618940638, 1.19839281085285), abs=1e-12)
    assert shelf[1] == pytest.approx((1.0, -1.69065929318241, 0.73248077421585), abs=1e-12)
    assert high_pass[0] == pytest.approx((1.0, -2.0, 1.0), abs=1e-12)
    assert high_pass[1] == pytest.approx((1.0, -1.99004745483398, 0.99007225036621), abs=1e-12)


@pytest.mark.parametrize(
    ("rate_hz", "tolerance_db"),
    # the bilinear transform bends the shelf towards half the sample rate: the less room, the more
    [(8000, 0.3), (11025, 0.15), (16000, 0.07), (22050, 0.04), (32000, 0.02)]
    + [(rate_hz, 0.01) for rate_hz in RATES_HZ if rate_hz >= 44100],
)
def test_k_gain_at_other_rates_is_that_at_48_khz(rate_hz: int, tolerance_db: float) -> None:
    frequency_hz = np.geomspace(20, min(0.4 * rate_hz, 10000), 100)
    difference_db = k_gain_db(frequency_hz, rate_hz) - k_gain_db(frequency_hz, 48000)
    assert np.abs(difference_db).max() <= tolerance_db


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("frames", [1, 100, 5000, 70000])
def test_block_filtering_is_the_recursive_filter(rate_hz: int, frames: int) -> None:
    """The judge is scipy's direct recursion."""
    samples = np.random.default_rng(frames).normal(size=(frames, 2))
    expected = samples
    for b, a in k_weighting(rate_hz):
        expected = lfilter(b, a, expected, axis=0)
    power = k_weighted_power(samples, rate_hz)
    assert power.shape == (frames,)
    assert power == pytest.approx((expected**2).sum(axis=1), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_what_is_heard_is_k_weighting_without_rumble_and_ultrasound(rate_hz: int) -> None:
    """The judges are scipy's Butterworth filters."""
    samples = np.random.default_rng(7).normal(size=(20000, 2))
    cut = sosfilt(butter(2, 100, "high", fs=rate_hz, output="sos"), samples, axis=0)
    if rate_hz >= 60000:
        for _ in range(2):
            cut = sosfilt(butter(2, 20000, fs=rate_hz, output="sos"), cut, axis=0)
    assert heard_power(samples, rate_hz) == pytest.approx(k_weighted_power(cut, rate_hz), rel=1e-8, abs=1e-8)


def test_blocks_cover_the_sound_once() -> None:
    samples = np.random.default_rng(0).normal(size=(30000, 1))
    taps = np.array([0.5, 0.0, -0.25])
    starts, blocks = zip(*filtered_blocks(samples, taps), strict=True)
    whole = np.concatenate(blocks, axis=1)[0]
    assert starts == tuple(np.cumsum([0, *(block.shape[1] for block in blocks)])[:-1])
    assert whole == pytest.approx(np.convolve(samples[:, 0], taps)[:30000], abs=1e-12)


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


@pytest.mark.parametrize(("tenth_decade", "expected_db"), A_TABLE_DB.items())
def test_a_weighting_table(tenth_decade: int, expected_db: float) -> None:
    """IEC 61672-1:2013, table 3 (31.5 Hz to 16 kHz), at the exact frequencies 10^(k/10)."""
    assert a_weighting_db(10 ** (tenth_decade / 10)) == pytest.approx(expected_db, abs=0.05)


def test_a_weighting_of_a_constant() -> None:
    assert a_weighting_db(0.0) == -np.inf
