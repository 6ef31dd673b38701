"""What was played lately: by the desk in this process, and asked of the process that plays."""

from __future__ import annotations

import os
import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from cuesync.devices.simulated import SimulatedClock
from cuesync.devices.simulated_sound import SimulatedAudio
from cuesync.show.played import KEPT_S, PlayedLately
from cuesync.show.prepared import PreparedSound
from cuesync.show.sound import LocalSoundDesk
from cuesync.show.sound_child import write_message

RATE_HZ = 1000


def _count(first: int, frames: int) -> np.ndarray:
    return np.arange(first, first + frames, dtype=np.float32)[:, None]


def test_frames_come_back_as_they_were_given() -> None:
    played = PlayedLately(RATE_HZ, 1)
    assert played.between(0, 10) is None
    for first in range(100, 30_000, 37):
        played.put(_count(first, 37), first)
    part = played.between(20_000, 29_000)
    assert part is not None
    assert np.array_equal(part, _count(20_000, 9_000))
    assert played.between(29_000, 31_000) is None  # still to come
    assert played.between(30_000 - round(KEPT_S * RATE_HZ) - 100, 29_000) is None  # gone


def test_lost_sound_is_silence_and_what_was_before_the_first_block_is_not_known() -> None:
    played = PlayedLately(RATE_HZ, 2)
    played.put(np.ones((50, 2), dtype=np.float32), 100)
    played.put(np.ones((50, 2), dtype=np.float32), 170)
    part = played.between(100, 220)
    assert part is not None
    assert part.shape == (120, 2)
    assert np.flatnonzero(part[:, 1] == 0.0).tolist() == list(range(50, 70))
    assert played.between(99, 220) is None


def test_lost_sound_longer_than_the_ring_leaves_nothing_old() -> None:
    played = PlayedLately(RATE_HZ, 1)
    size = round(KEPT_S * RATE_HZ)
    for first in range(0, size, 100):
        played.put(np.ones((100, 1), dtype=np.float32), first)
    played.put(np.ones((100, 1), dtype=np.float32), 3 * size)
    part = played.between(3 * size - size // 2, 3 * size + 100)
    assert part is not None
    assert np.flatnonzero(part[:, 0]).tolist() == [size // 2 + frame for frame in range(100)]


def test_keeping_allocates_nothing() -> None:
    played = PlayedLately(RATE_HZ, 2)
    out = np.ones((256, 2), dtype=np.float32)
    for block in range(200):
        played.put(out, 256 * block)
    tracemalloc.start()
    base, _ = tracemalloc.get_traced_memory()
    for block in range(200, 400):
        played.put(out, 256 * block + 10 * (block // 50))
    now, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert now - base < 300  # the counts themselves
    assert peak - base < 1500  # views


def test_a_large_answer_is_written_without_a_copy() -> None:
    """Copying megabytes would hold up the sound card's thread."""
    sound = np.ones((100_000, 2), dtype="<f4")
    with Path(os.devnull).open("wb", buffering=0) as nowhere:
        tracemalloc.start()
        write_message(nowhere, {"shape": list(sound.shape)}, sound.reshape(-1).view(np.uint8).data)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert peak < sound.nbytes / 10


def test_the_desk_knows_what_it_played_when() -> None:
    clock = SimulatedClock()
    audio = SimulatedAudio(clock)
    desk = LocalSoundDesk(audio, lambda: audio)
    assert desk.played(0.0, 1.0) is None
    desk.keep_played()
    assert desk.played(0.0, 1.0) is None
    sound = PreparedSound(name="one", rows=np.ones((1, 480), dtype=np.float32), routes=((0, 1),))
    desk.start([sound])
    clock.sleep_s(0.5)
    start_s = clock.now_s() + 0.1
    desk.play(0, start_s, start_s)
    clock.sleep_s(0.5)
    stretch = desk.played(start_s - 0.05, start_s + 0.05)
    assert stretch is not None
    assert (stretch.rate_hz, stretch.samples.shape) == (48000, (4800, 2))
    loud = np.flatnonzero(stretch.samples[:, 1])
    assert stretch.start_s + loud[0] / 48000 == pytest.approx(start_s, abs=1 / 48000)
    assert len(loud) == 480
    assert not stretch.samples[:, 0].any()
    assert desk.played(start_s, start_s + 1.0) is None
