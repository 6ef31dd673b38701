"""Backgrounds that run round and round, and dip around the pop."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from cuesync.clip import Clip
from cuesync.errors import ClipError
from cuesync.plan.plan import PlannedBackground
from cuesync.show.mixer import Mixer
from cuesync.show.prepared import PreparedSound, prepare_background
from cuesync.show.rehearsal import rehearse
from tests.show.plans import plan
from tests.show.simulation import Simulation

RATE_HZ = 48000


def background(level: float = 0.2, length_s: float = 1.0) -> PlannedBackground:
    samples = np.full((round(length_s * RATE_HZ), 1), level, dtype=np.float32)
    return PlannedBackground(
        clip=Clip(name="wind.wav", samples=samples, rate_hz=RATE_HZ),
        gain=1.0,
        outputs=(1, 2),
        dip_gain=0.25,
        dip_from_s=0.5,
        dip_to_s=0.9,
    )


def render(mixer: Mixer, frames: int, block: int, first: int = 0) -> NDArray[np.float32]:
    out = np.zeros((frames, mixer.channels), dtype=np.float32)
    for begin in range(0, frames, block):
        mixer.render(out[begin : begin + block], first + begin)
    return out


@pytest.mark.parametrize("block", [64, 441, 2048])
def test_a_loop_runs_on_without_a_gap(block: int) -> None:
    mixer = Mixer(RATE_HZ, 1)
    ramp = np.arange(1000, dtype=np.float32)[None] / np.float32(1000)
    mixer.loop(PreparedSound(name="ramp", rows=ramp, routes=((0, 0),)))
    out = render(mixer, 8192, block, first=77)[:, 0]
    expected = np.resize(ramp[0], 8192)
    assert np.allclose(out[480:], expected[480:], atol=1e-6)
    assert np.all(np.abs(out[:480]) <= expected[:480])  # faded in


def test_the_seam_makes_no_click() -> None:
    """A tone that does not fit the clip's length jumps at the seam of a plain loop, by up to 0.5 here."""
    time_s = np.arange(RATE_HZ) / RATE_HZ
    tone = (0.25 * np.sin(2 * np.pi * 100.37 * time_s)).astype(np.float32)[:, None]
    plain_jump = abs(float(tone[0, 0] - tone[-1, 0]))
    prepared = prepare_background(
        replace(background(), clip=Clip(name="t", samples=tone, rate_hz=RATE_HZ)), RATE_HZ, 2
    )
    ring = np.concatenate([prepared.rows[0], prepared.rows[0]])
    steepest = 0.25 * 2 * np.pi * 100.37 / RATE_HZ
    assert plain_jump > 10 * steepest
    assert np.max(np.abs(np.diff(ring))) < 1.5 * steepest + 0.5 / (0.02 * RATE_HZ)


def test_a_background_dips_around_the_pop_and_comes_back() -> None:
    night = Simulation([replace(plan(sounds=(), reset_s=3.0), backgrounds=(background(),))])
    night.clock.sleep_s(1.0)
    for _ in range(2):
        trigger_s = night.press()
        night.clock.sleep_s(3.5)
        heard = night.audio.sound_from(trigger_s, round(2.0 * RATE_HZ))[:, 0]
        level = heard[:: RATE_HZ // 100]  # every 10 ms
        assert level[:44] == pytest.approx(0.2, abs=1e-4)
        assert level[51:90] == pytest.approx(0.05, abs=1e-4)
        assert level[97:] == pytest.approx(0.2, abs=1e-4)
        assert np.max(np.abs(np.diff(heard))) < 0.15 / (0.05 * RATE_HZ) * 1.5  # in ramps, not in jumps


def test_a_stop_ends_the_background_and_arming_starts_it_again() -> None:
    night = Simulation([replace(plan(sounds=()), backgrounds=(background(),))])
    night.clock.sleep_s(0.5)
    night.show.put(lambda: night.show.stop_all("stopped"))
    night.clock.sleep_s(0.1)
    stopped_s = night.clock.now_s()
    night.clock.sleep_s(1.0)
    night.show.put(night.show.acknowledge)
    night.show.put(night.show.arm)
    night.clock.sleep_s(0.1)
    armed_s = night.clock.now_s()
    night.clock.sleep_s(0.5)
    assert not night.audio.sound_from(stopped_s, RATE_HZ // 2).any()
    assert night.audio.sound_from(armed_s, RATE_HZ // 4).all()


def test_a_held_scene_keeps_its_background() -> None:
    night = Simulation([replace(plan(sounds=()), backgrounds=(background(),))])
    night.hold("Cellar door")
    night.clock.sleep_s(0.1)
    held_s = night.clock.now_s()
    night.clock.sleep_s(0.5)
    assert night.audio.sound_from(held_s, RATE_HZ // 4).all()


def test_a_rehearsal_has_the_background_of_the_first_press() -> None:
    rehearsal = rehearse(replace(plan(), backgrounds=(background(),)), presses=3)
    assert rehearsal.sound[1000, 0] == pytest.approx(0.2)
    assert len(rehearsal.scares) == 3


def test_a_clip_too_short_to_loop_is_refused() -> None:
    with pytest.raises(ClipError, match=r'"wind\.wav" is too short to run as a background \(50 ms\)'):
        prepare_background(background(length_s=0.05), RATE_HZ, 2)
