"""The line from host time to frames, under jitter, drift and lost sound."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cuesync.timeline import Timeline

RATE_HZ = 48000


def run(
    timeline: Timeline,
    *,
    seconds: float,
    frames: int = 256,
    jitter_s: float = 0.0,
    outlier: float = 0.0,
    rate_error: float = 0.0,
    start_s: float = 5e4,
    seed: int = 3,
    check_from_s: float = 1.0,
) -> list[float]:
    """Feed blocks; gives the error of `frame_at` in seconds, at moments between blocks."""
    draw = random.Random(seed)
    frame_s = 1.0 / (RATE_HZ * (1.0 + rate_error))
    mean_s = jitter_s  # exponential lateness has this mean, and shifts the line by it
    errors_s = []
    for index in range(int(seconds / (frames * frame_s))):
        due_s = start_s + index * frames * frame_s
        late_s = draw.expovariate(1.0 / jitter_s) if jitter_s else 0.0
        if outlier and draw.random() < outlier:
            late_s += draw.uniform(0.002, 0.005)
        timeline.block(due_s + late_s, frames)
        if due_s - start_s > check_from_s:
            true_frame = (index + 0.5) * frames
            errors_s.append(
                (timeline.frame_at(due_s + 0.5 * frames * frame_s) - true_frame) / RATE_HZ + mean_s
            )
    return errors_s


def test_exact_blocks_give_exact_frames_whatever_the_epoch() -> None:
    for start_s in (-3.0, 0.0, 1e6):
        timeline = Timeline(RATE_HZ)
        errors_s = run(timeline, seconds=3.0, start_s=start_s)
        assert max(map(abs, errors_s)) < 1e-7


@pytest.mark.parametrize("frames", [64, 256, 2048])
def test_jitter_is_filtered_at_every_block_size(frames: int) -> None:
    """Raw jitter of 133 µs (as measured at 256 frames); Adriaensen's loop at 0.3 to 3 Hz left 38 µs."""
    timeline = Timeline(RATE_HZ)
    errors_s = run(timeline, seconds=60.0, frames=frames, jitter_s=133e-6, check_from_s=2.0)
    assert np.std(errors_s) < 38e-6
    assert max(map(abs, errors_s)) < 150e-6


def test_late_blocks_of_a_busy_thread_hardly_show() -> None:
    """Up to 4.8 ms late, one block in fifty."""
    timeline = Timeline(RATE_HZ)
    errors_s = run(timeline, seconds=60.0, jitter_s=50e-6, outlier=0.02, check_from_s=2.0)
    assert max(map(abs, errors_s)) < 100e-6


@pytest.mark.parametrize("rate_error", [-200e-6, 200e-6])
def test_the_crystal_may_be_off(rate_error: float) -> None:
    timeline = Timeline(RATE_HZ)
    errors_s = run(timeline, seconds=60.0, rate_error=rate_error, check_from_s=20.0)
    assert max(map(abs, errors_s)) < 20e-6


@pytest.mark.parametrize(("frames", "before_s", "then_s"), [(64, 0.14, 0.17), (2048, 0.38, 0.5)])
def test_locked_after_ten_blocks_that_take_long_enough(frames: int, before_s: float, then_s: float) -> None:
    for seconds, locked in ((before_s, False), (then_s, True)):
        timeline = Timeline(RATE_HZ)
        run(timeline, seconds=seconds, frames=frames)
        assert timeline.locked is locked


def test_lost_sound_skips_frames_so_that_host_time_holds() -> None:
    timeline = Timeline(RATE_HZ)
    run(timeline, seconds=5.0)
    lost_s = 0.1
    start_s = 5e4 + math.floor(5.0 * RATE_HZ / 256) * 256 / RATE_HZ + lost_s
    wanted = timeline.frame_at(start_s)
    for index in range(200):
        first_frame = timeline.block(start_s + index * 256 / RATE_HZ, 256)
    assert timeline.skipped_frames == pytest.approx(lost_s * RATE_HZ, abs=1)
    assert first_frame == pytest.approx(wanted + 199 * 256, abs=2)
    assert timeline.frame_at(start_s) == pytest.approx(wanted, abs=2)


@pytest.mark.parametrize("frames", [64, 256, 2048])
@pytest.mark.parametrize("lost_blocks", [1, 3])
def test_lost_blocks_show_in_three_equally_late_ones_and_leave_the_line_exact(
    frames: int, lost_blocks: int
) -> None:
    """The first block after the gap is later still, as measured through JACK."""
    timeline = Timeline(RATE_HZ)
    run(timeline, seconds=5.0, frames=frames, jitter_s=20e-6)
    next_frame = int(5.0 * RATE_HZ / frames) * frames + lost_blocks * frames
    start_s = 5e4 + next_frame / RATE_HZ
    for index, late_s in enumerate((0.001, 50e-6, 10e-6, 30e-6)):
        first_frame = timeline.block(start_s + index * frames / RATE_HZ + late_s, frames)
    assert first_frame == next_frame + 3 * frames
    assert timeline.skipped_frames == lost_blocks * frames
    assert timeline.frame_at(start_s) == pytest.approx(next_frame, abs=0.00005 * RATE_HZ)


def test_blocks_that_are_late_by_the_same_for_a_moment_are_not_lost() -> None:
    timeline = Timeline(RATE_HZ)
    run(timeline, seconds=5.0, jitter_s=20e-6)
    index0 = math.floor(5.0 * RATE_HZ / 256)
    for index in range(100):
        late_s = 0.005 if index in {10, 11, 40, 41} else 0.0
        timeline.block(5e4 + (index0 + index) * 256 / RATE_HZ + late_s, 256)
    assert timeline.skipped_frames == 0


def test_a_small_step_of_equal_blocks_moves_the_line_in_six_of_them() -> None:
    timeline = Timeline(RATE_HZ)
    run(timeline, seconds=5.0, frames=64, jitter_s=20e-6)
    next_frame = int(5.0 * RATE_HZ / 64) * 64
    start_s = 5e4 + next_frame / RATE_HZ + 0.0006
    for index in range(7):
        timeline.block(start_s + index * 64 / RATE_HZ, 64)
    assert timeline.skipped_frames == 0
    assert timeline.frame_at(start_s) == pytest.approx(next_frame, abs=0.0001 * RATE_HZ)


@pytest.mark.parametrize("frames", [64, 256, 2048])
def test_a_small_lasting_step_moves_the_line_and_skips_nothing(frames: int) -> None:
    """As when a sound server takes up its rhythm again a little later."""
    timeline = Timeline(RATE_HZ)
    step_s = 0.0009
    run(timeline, seconds=5.0, frames=frames, jitter_s=20e-6)
    next_frame = int(5.0 * RATE_HZ / frames) * frames
    start_s = 5e4 + next_frame / RATE_HZ + step_s
    run(timeline, seconds=1.0, frames=frames, jitter_s=20e-6, start_s=start_s)
    assert timeline.skipped_frames == 0
    assert timeline.frame_at(start_s) == pytest.approx(next_frame, abs=0.0001 * RATE_HZ)


def test_a_tenth_of_a_second_of_late_blocks_moves_nothing_for_long() -> None:
    """Another program takes the computer: every block is 1 to 3 ms late for a while."""
    timeline = Timeline(RATE_HZ)
    run(timeline, seconds=5.0, jitter_s=20e-6)
    index0 = math.floor(5.0 * RATE_HZ / 256)
    draw = random.Random(4)
    for index in range(40):
        late_s = draw.uniform(0.001, 0.003) if index < 20 else draw.expovariate(1 / 20e-6)
        timeline.block(5e4 + (index0 + index) * 256 / RATE_HZ + late_s, 256)
    assert timeline.skipped_frames == 0
    true_s = 5e4 + (index0 + 40) * 256 / RATE_HZ
    assert timeline.frame_at(true_s) == pytest.approx((index0 + 40) * 256, abs=0.0005 * RATE_HZ)


def test_one_late_block_is_no_lost_sound() -> None:
    timeline = Timeline(RATE_HZ)
    run(timeline, seconds=5.0)
    index0 = math.floor(5.0 * RATE_HZ / 256)
    for index in range(100):
        late_s = 0.02 if index == 10 else 0.0
        timeline.block(5e4 + (index0 + index) * 256 / RATE_HZ + late_s, 256)
    assert timeline.skipped_frames == 0


def test_blocks_asked_for_in_one_go_count_from_the_first() -> None:
    """PortAudio cuts JACK's 2048 frames in two: the second half is asked for 21 ms before its time."""
    timeline = Timeline(RATE_HZ)
    draw = random.Random(1)
    for index in range(400):
        due_s = (index - index % 2) * 1024 / RATE_HZ + 0.00004 * (index % 2)
        assert timeline.block(due_s + draw.expovariate(1 / 20e-6), 1024) == index * 1024
    assert timeline.skipped_frames == 0
    assert timeline.locked
    assert timeline.frame_at(400 * 1024 / RATE_HZ) == pytest.approx(400 * 1024, abs=0.0001 * RATE_HZ)


def test_after_a_restart_frames_go_on_where_host_time_is() -> None:
    timeline = Timeline(RATE_HZ)
    run(timeline, seconds=2.0)
    wanted = timeline.frame_at(5e4 + 9.0)
    timeline.restart()
    assert not timeline.locked
    run(timeline, seconds=1.0, start_s=5e4 + 9.0)
    assert timeline.locked
    assert timeline.frame_at(5e4 + 9.0) == pytest.approx(wanted, abs=1)


@settings(max_examples=60)
@given(
    lengths=st.lists(st.sampled_from([32, 64, 100, 441, 512, 1024]), min_size=20, max_size=200),
    seed=st.integers(0, 100),
)
def test_frames_never_run_backwards_under_jitter(lengths: list[int], seed: int) -> None:
    timeline = Timeline(RATE_HZ)
    draw = random.Random(seed)
    frames, expected = 0, 0
    for length in lengths:
        first = timeline.block(10.0 + frames / RATE_HZ + draw.uniform(0.0, 0.0009), length)
        assert first == expected
        frames += length
        expected = first + length


def test_before_the_first_block_there_is_no_line() -> None:
    with pytest.raises(RuntimeError, match="no block yet"):
        Timeline(RATE_HZ).frame_at(1.0)
