"""The desk that turns host times into frames of its card."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices.simulated import SimulatedClock
from cuesync.devices.simulated_sound import SimulatedAudio
from cuesync.show.prepared import PreparedSound
from cuesync.show.sound import LocalSoundDesk

SOUND = PreparedSound(name="boo", rows=np.ones((1, 4800), dtype=np.float32), routes=((0, 0),))
BLOCK_FRAMES = 256


def desk_after(late_s: list[float]) -> tuple[LocalSoundDesk, float]:
    """A desk whose card has asked for blocks, each so much late; and the host time after them."""
    audio = SimulatedAudio(SimulatedClock())
    desk = LocalSoundDesk(audio, lambda: audio)
    desk._sounds = (SOUND,)
    out = np.zeros((BLOCK_FRAMES, audio.channels), dtype=np.float32)
    for block, block_late_s in enumerate(late_s):
        desk.render(out, block * BLOCK_FRAMES / audio.rate_hz + block_late_s)
    return desk, len(late_s) * BLOCK_FRAMES / audio.rate_hz


LATE_S = st.lists(st.floats(0.0, 0.02), min_size=1, max_size=30)


@given(LATE_S, LATE_S, st.floats(0.7, 1.0), st.floats(0.7, 1.0))
def test_what_one_trigger_starts_stays_together_however_late_the_blocks_are_in_between(
    before_s: list[float], between_s: list[float], one_s: float, other_s: float
) -> None:
    desk, trigger_s = desk_after(before_s)
    rate_hz, frame_s = desk.rate_hz, desk.timeline.line().frame_s
    one = desk.play(0, trigger_s + one_s, trigger_s)
    out = np.zeros((BLOCK_FRAMES, desk.channels), dtype=np.float32)
    for block, late_s in enumerate(between_s):
        desk.render(out, trigger_s + block * BLOCK_FRAMES / rate_hz + late_s)
    other = desk.play(0, trigger_s + other_s, trigger_s)
    apart_frames = other.voice.start_frame - one.voice.start_frame
    assert abs(apart_frames - (other_s - one_s) / frame_s) <= 1.0


def test_another_trigger_goes_by_the_line_as_it_is_by_then() -> None:
    desk, trigger_s = desk_after([0.0] * 20)
    one = desk.play(0, trigger_s + 0.5, trigger_s)
    out = np.zeros((BLOCK_FRAMES, desk.channels), dtype=np.float32)
    for block in range(200):  # the card has lost ten blocks
        desk.render(out, trigger_s + 10 * BLOCK_FRAMES / desk.rate_hz + block * BLOCK_FRAMES / desk.rate_hz)
    other = desk.play(0, trigger_s + 2.5, trigger_s + 2.0)
    assert abs(other.voice.start_frame - one.voice.start_frame - 2 * desk.rate_hz) <= 2
    assert desk.timeline.skipped_frames == 10 * BLOCK_FRAMES
