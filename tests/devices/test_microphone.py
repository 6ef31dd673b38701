"""What a listening microphone heard lately: whole stretches with their times, or nothing."""

from __future__ import annotations

import numpy as np
import pytest

from cuesync.devices.microphone import KEPT_S, HeardLately

RATE_HZ = 48000
BLOCK = 256


def _heard(seconds: float, *, jitter_s: float = 0.0, lost: int = 0) -> HeardLately:
    """A line that counts its frames, from host time 50 on; `lost` blocks are missing after half the time."""
    heard = HeardLately(RATE_HZ)
    random = np.random.default_rng(1)
    blocks = round(seconds * RATE_HZ / BLOCK)
    for block in range(blocks):
        if blocks // 2 <= block < blocks // 2 + lost:
            continue
        line = np.arange(block * BLOCK, (block + 1) * BLOCK, dtype=np.float32)
        heard.put(50.0 + block * BLOCK / RATE_HZ + jitter_s * random.uniform(-1.0, 1.0), line)
    return heard


@pytest.mark.parametrize("jitter_s", [0.0, 0.0005])
def test_a_stretch_covers_what_was_asked_for(jitter_s: float) -> None:
    stretch = _heard(2.0, jitter_s=jitter_s).between(50.4, 51.2)
    assert stretch is not None
    assert stretch.start_s <= 50.4
    assert stretch.end_s >= 51.2
    assert stretch.samples.shape[1] == 1
    first = int(stretch.samples[0, 0])
    assert np.array_equal(stretch.samples[:, 0], np.arange(first, first + len(stretch.samples)))
    assert stretch.start_s == pytest.approx(50.0 + first / RATE_HZ, abs=jitter_s / 2.0 + 1e-9)


def test_lost_blocks_are_no_silence() -> None:
    heard = _heard(2.0, lost=1)
    assert heard.between(50.4, 51.2) is None
    assert heard.between(50.2, 50.8) is not None
    assert heard.between(51.1, 51.8) is not None


def test_nothing_is_made_up_at_the_ends() -> None:
    heard = _heard(2.0)
    assert heard.between(49.9, 50.5) is None
    assert heard.between(51.5, 52.1) is None
    assert HeardLately(RATE_HZ).between(50.0, 50.1) is None


def test_only_the_last_seconds_are_kept() -> None:
    heard = _heard(KEPT_S + 3.0)
    assert heard.between(50.5, 51.0) is None
    assert heard.between(53.1, 53.0 + KEPT_S - 0.1) is not None
