"""The coarse pass: the same however the recording is cut up, and the same in every number format."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from cuesync.hearing.scan import Coarse, CoarseScan


def scanned(samples: NDArray[np.float32] | NDArray[np.int16], rate_hz: int, cuts: list[int]) -> Coarse:
    scan = CoarseScan(rate_hz, samples.shape[1])
    for low, high in zip([0, *cuts], [*cuts, len(samples)], strict=True):
        scan.feed(samples[low:high])
    return scan.finish()


SOUND = np.random.default_rng(1).standard_normal((20_000, 2)).astype(np.float32) * np.float32(0.1)


@settings(max_examples=30)
@given(cuts=st.lists(st.integers(0, len(SOUND)), max_size=6).map(sorted))
def test_where_a_recording_is_cut_does_not_matter(cuts: list[int]) -> None:
    whole, cut = scanned(SOUND, 48000, []), scanned(SOUND, 48000, cuts)
    assert cut.frames == whole.frames == len(SOUND)
    # power and total hang on the offset of the first piece; what is made of them doesn't
    assert cut.sharp == pytest.approx(whole.sharp, rel=1e-3)
    assert cut.energy(0)[5:-5] == pytest.approx(whole.energy(0)[5:-5], rel=1e-2)


def test_blocks_are_what_they_say() -> None:
    coarse = scanned(SOUND, 48000, [777])
    assert coarse.block_frames == 96
    assert coarse.blocks == len(SOUND) // 96
    lines = SOUND[: coarse.blocks * 96, 1].reshape(-1, 96).astype(np.float64)
    middle = coarse.energy(1)[2:-2]
    windows = np.lib.stride_tricks.sliding_window_view(lines.ravel(), 480)[::96]
    assert middle == pytest.approx(windows.var(axis=1) * 480, rel=1e-3)
    assert coarse.energy_between(1, 50, 90) == pytest.approx(coarse.energy(1)[50:90], rel=1e-6)
    assert coarse.block_at(-5.0) == 0
    assert coarse.block_at(1e9) == coarse.blocks - 1


def test_whole_numbers_and_floats_agree() -> None:
    numbers = np.round(SOUND * 32768.0).astype(np.int16)
    floats = (numbers / 32768.0).astype(np.float32)
    first, second = scanned(numbers, 44100, [5000]), scanned(floats, 44100, [5000])
    for view in ("power", "total", "sharp"):
        assert getattr(first, view) == pytest.approx(getattr(second, view), rel=1e-3, abs=1e-5)


def test_a_constant_offset_is_not_energy() -> None:
    shifted = (0.001 * SOUND + 0.5).astype(np.float32)
    assert scanned(shifted, 48000, []).energy(0) == pytest.approx(
        scanned((0.001 * SOUND).astype(np.float32), 48000, []).energy(0), rel=0.02
    )


def test_nothing_fed() -> None:
    coarse = CoarseScan(48000, 2).finish()
    assert coarse.blocks == 0
    assert len(coarse.energy(1)) == 0
