"""The mixer: exact starts, a sum that cannot clip, and nothing left behind on the sound card's thread."""

from __future__ import annotations

import gc
import sys
import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from cuesync.clip import Clip
from cuesync.errors import DeviceError
from cuesync.show.limiter import Limiter
from cuesync.show.mixer import Mixer, Voice
from cuesync.show.prepared import PreparedSound, prepare_sound
from tests.show.plans import click, sound

RATE_HZ = 48000


def flat(frames: int, value: float = 0.25) -> PreparedSound:
    rows = np.full((1, frames), value, dtype=np.float32)
    return PreparedSound(name="flat", rows=rows, routes=((0, 0), (0, 1)))


def render(mixer: Mixer, frames: int, block: int, first: int = 0) -> NDArray[np.float32]:
    out = np.full((frames, mixer.channels), np.nan, dtype=np.float32)
    for begin in range(0, frames, block):
        part = out[begin : begin + block]
        mixer.render(part, first + begin)
    return out


@settings(max_examples=60)
@given(
    starts=st.lists(st.integers(0, 6000), min_size=1, max_size=8),
    block=st.sampled_from([1, 17, 64, 256, 1000, 4096]),
    first=st.sampled_from([0, 10**9]),
)
def test_each_voice_starts_on_its_frame_in_any_block(starts: list[int], block: int, first: int) -> None:
    mixer = Mixer(RATE_HZ, 2)
    expected = np.zeros(8000, dtype=np.float32)
    for start in starts:
        mixer.play(Voice(flat(1000, 0.0625), first + start))
        expected[start : start + 1000] += 0.0625
    out = render(mixer, 8000, block, first)
    assert np.array_equal(out[:, 0], expected)
    assert np.array_equal(out[:, 1], expected)
    assert mixer.quiet


def test_a_late_voice_starts_at_once_and_says_how_late() -> None:
    mixer = Mixer(RATE_HZ, 2)
    voice = Voice(flat(1000), 100)
    mixer.play(voice)
    out = render(mixer, 2048, 256, first=356)
    assert voice.late_frames == 256
    assert voice.begun_frame == 356
    assert np.count_nonzero(out[:, 0]) == 1000


def late_ramp(hit_frames: int, late_frames: int, frames: int = 48000) -> tuple[Voice, NDArray[np.float32]]:
    """A voice from frame 0 on that is asked for late; gives it, and what comes out from then on."""
    mixer = Mixer(RATE_HZ, 1)
    prepared = PreparedSound(name="ramp", rows=ramp(), routes=((0, 0),), hit_frames=hit_frames)
    voice = Voice(prepared, 0)
    mixer.play(voice)
    return voice, render(mixer, frames, 256, first=late_frames)[:, 0]


def ramp() -> NDArray[np.float32]:
    return np.arange(1, 48001, dtype=np.float32)[None] / np.float32(48000)


@settings(max_examples=40)
@given(late_frames=st.integers(1, 47000), ahead_frames=st.integers(0, 900))
def test_a_late_voice_whose_hit_is_still_to_come_joins_in_and_hits_on_time(
    late_frames: int, ahead_frames: int
) -> None:
    voice, out = late_ramp(late_frames + ahead_frames, late_frames)
    assert out[ahead_frames:-late_frames] == pytest.approx(ramp()[0, late_frames + ahead_frames :])
    assert not out[-late_frames:].any()
    faded = min(480, ahead_frames)
    assert np.all(out[: max(0, faded - 1)] < ramp()[0, late_frames : late_frames + max(0, faded - 1)])
    assert voice.begun_frame == voice.late_frames == late_frames
    assert voice.start_frame == 0


@pytest.mark.parametrize(("late_ms", "heard"), [(101, True), (185, True), (186, False), (240, False)])
def test_a_late_voice_whose_hit_has_passed_is_whole_or_not_heard(late_ms: int, heard: bool) -> None:
    """More than 185 ms late is not acceptable: ITU-R BT.1359-1."""
    voice, out = late_ramp(4800, late_ms * 48, frames=49152)
    assert np.array_equal(out[:48000], ramp()[0] if heard else np.zeros(48000, dtype=np.float32))
    assert voice.done
    assert voice.dropped is not heard
    assert voice.late_frames == late_ms * 48


@pytest.mark.parametrize(("lost_ms", "start"), [(20, 1000), (185, 1000), (20, 40)])
def test_a_voice_whose_beginning_and_hit_the_card_has_lost_is_played_whole(lost_ms: int, start: int) -> None:
    mixer = Mixer(RATE_HZ, 2)
    voice = Voice(flat(1000), start)
    mixer.play(voice)
    silence = start - start % 32  # up to here the card plays, and then loses sound
    assert not render(mixer, silence, 32, first=0).any()
    out = render(mixer, 2048, 256, first=start + lost_ms * 48)[:, 0]
    assert np.flatnonzero(out).tolist() == list(range(1000))
    assert (voice.late_frames, voice.start_frame) == (lost_ms * 48, start + lost_ms * 48)


def test_a_voice_whose_beginning_the_card_has_lost_hits_on_time_under_a_ramp() -> None:
    mixer = Mixer(RATE_HZ, 1)
    mixer.play(Voice(PreparedSound(name="ramp", rows=ramp(), routes=((0, 0),), hit_frames=4800), 1000))
    render(mixer, 992, 32, first=0)
    out = render(mixer, 8192, 256, first=1960)[:, 0]
    assert 0.0 < out[0] < ramp()[0, 960] / 100
    assert np.array_equal(out[480:], ramp()[0, 960 + 480 : 960 + 8192])


def test_the_hit_of_a_prepared_sound_is_where_the_clip_has_it() -> None:
    prepared = prepare_sound(sound(click(), start_s=0.0, hit_s=0.1, cut_s=0.025), RATE_HZ, 2)
    assert np.flatnonzero(prepared.rows[0]).tolist() == [prepared.hit_frames]


def test_a_voice_that_is_over_is_never_heard() -> None:
    mixer = Mixer(RATE_HZ, 2)
    voice = Voice(flat(1000), 0)
    mixer.play(voice)
    assert not render(mixer, 256, 256, first=100_000).any()
    assert voice.done
    assert voice.dropped
    assert voice.begun_frame is None


def test_stop_fades_in_ten_milliseconds_and_forgets_what_waits() -> None:
    mixer = Mixer(RATE_HZ, 2)
    playing, waiting = Voice(flat(48000, 0.5), 0), Voice(flat(48000, 0.5), 5000)
    mixer.play(playing)
    mixer.play(waiting)
    render(mixer, 1024, 256)
    mixer.stop_all()
    out = render(mixer, 8192, 256, first=1024)[:, 0]
    assert np.all(np.diff(out[:480]) < 0)
    assert out[0] == 0.5
    assert np.max(np.abs(np.diff(out))) < 0.5 / 400
    assert not out[480:].any()
    assert waiting.dropped
    assert mixer.quiet


def test_more_voices_than_slots_are_dropped_and_say_so() -> None:
    mixer = Mixer(RATE_HZ, 2)
    voices = [Voice(flat(1000, 0.001), 0) for _ in range(70)]
    for voice in voices:
        mixer.play(voice)
    render(mixer, 256, 256)
    assert sum(voice.dropped for voice in voices) == 6


def test_outputs_and_channels() -> None:
    samples = np.array([[0.1, 0.2]] * 10, dtype=np.float32)
    clip = Clip(name="two", samples=samples, rate_hz=RATE_HZ)
    prepared = prepare_sound(sound(clip, start_s=0.0, outputs=(4, 1)), RATE_HZ, 4)
    mixer = Mixer(RATE_HZ, 4)
    mixer.play(Voice(prepared, 0))
    assert render(mixer, 10, 10)[0].tolist() == pytest.approx([0.2, 0.0, 0.0, 0.1])


def test_an_output_that_the_card_does_not_have() -> None:
    with pytest.raises(DeviceError, match=r"plays on output 4, but the sound card has only 2\. Change"):
        prepare_sound(sound(click(), start_s=0.0, outputs=(1, 4)), RATE_HZ, 2)


def test_gain_and_cut_are_applied_beforehand() -> None:
    prepared = prepare_sound(sound(click(), start_s=0.0, cut_s=0.05, gain=0.5), RATE_HZ, 2)
    assert prepared.frames == round(0.15 * RATE_HZ)
    assert np.flatnonzero(prepared.rows[0]).tolist() == [round(0.05 * RATE_HZ)]
    assert prepared.rows[0, round(0.05 * RATE_HZ)] == 0.25


def test_below_full_scale_nothing_is_touched() -> None:
    limiter = Limiter(2, 2048, RATE_HZ)
    noise = np.random.default_rng(1).uniform(-1.0, 1.0, (2, 2048)).astype(np.float32)
    copy = noise.copy()
    limiter.process(copy)
    assert np.array_equal(copy, noise)
    assert limiter.limited_blocks == 0


@settings(max_examples=100)
@given(
    block=st.sampled_from([7, 32, 64, 256, 441, 2048]),
    loud=st.floats(0.5, 100.0),
    seed=st.integers(0, 1000),
)
def test_no_sum_leaves_full_scale(block: int, loud: float, seed: int) -> None:
    limiter = Limiter(2, 2048, RATE_HZ)
    random = np.random.default_rng(seed)
    bursts = np.repeat(random.uniform(0.0, loud, 128), 64)
    sum_ = (random.uniform(-1.0, 1.0, (2, 8192)) * bursts).astype(np.float32)
    for begin in range(0, 8192, block):
        limiter.process(sum_[:, begin : begin + block])
    assert np.max(np.abs(sum_)) <= 1.0


def test_the_limiter_turns_down_smoothly_and_comes_back() -> None:
    limiter = Limiter(1, 2048, RATE_HZ)
    time_s = np.arange(48000) / RATE_HZ
    level = np.where((time_s > 0.2) & (time_s < 0.4), 2.0, 0.5)
    tone = (level * np.sin(2 * np.pi * 100 * time_s)).astype(np.float32)[None]
    out = tone.copy()
    for begin in range(0, 48000, 256):
        limiter.process(out[:, begin : begin + 256])
    assert np.array_equal(out[0, :9000], tone[0, :9000])
    assert np.max(np.abs(out[0, 10000:19000])) == pytest.approx(1.0, abs=1e-5)
    assert np.array_equal(out[0, 30000:], tone[0, 30000:])


def test_nan_in_a_clip_becomes_silence_and_not_noise() -> None:
    mixer = Mixer(RATE_HZ, 2)
    mixer.play(Voice(flat(1000, float("nan")), 0))
    out = render(mixer, 512, 256)
    assert not out.any()
    assert mixer.failures == 0


def test_render_never_raises() -> None:
    mixer = Mixer(RATE_HZ, 2)
    bad = PreparedSound(name="bad", rows=np.zeros((1, 100), dtype=np.float32), routes=((0, 7),))
    mixer.play(Voice(bad, 0))
    out = render(mixer, 256, 256)
    assert not out.any()
    assert mixer.failures == 1


@pytest.mark.parametrize("level", [0.01, 0.25], ids=["plain", "limited"])
def test_the_callback_keeps_nothing_and_needs_no_memory(level: float) -> None:
    """32 stereo voices, a loop that dips, a sum that is too loud: counted by the interpreter itself.

    Python makes small objects (views, numbers) even for `a[1:2]`; what may not happen is an array, that is
    memory that grows with the block, or anything that outlives the call.
    """
    mixer = Mixer(RATE_HZ, 2)
    rows = np.full((2, 60 * RATE_HZ), level, dtype=np.float32)
    prepared = PreparedSound(name="long", rows=rows, routes=((0, 0), (1, 1)))
    voices = [Voice(prepared, 10 * index) for index in range(32)]
    for voice in voices:
        mixer.play(voice)
    loop = mixer.loop(PreparedSound(name="loop", rows=rows[:, : 3 * RATE_HZ], routes=((0, 0), (1, 1))))
    loop.dip(100 * 2048, 400 * 2048, 0.5)
    out = np.zeros((2048, 2), dtype=np.float32)
    frame = 0

    def blocks(count: int) -> None:
        nonlocal frame
        for _ in range(count):
            mixer.render(out, frame)
            frame += 2048

    blocks(20)
    gc.collect()
    gc.disable()
    try:
        tracemalloc.start()
        base, _ = tracemalloc.get_traced_memory()
        blocks(100)
        voices[3].stopping = True
        blocks(100)
        now, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        before = sys.getallocatedblocks()
        blocks(400)
        after = sys.getallocatedblocks()
    finally:
        gc.enable()
    assert peak - base < 4096  # a block of one channel is 8192; numpy's own bookkeeping takes 2 to 3 kB
    assert now - base < 1024
    assert after - before < 20
    assert mixer.failures == 0
    assert not mixer.quiet
