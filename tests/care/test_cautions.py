"""Cautions of one plan, and those that hold for all, against their sources."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cuesync.care import NO_EMERGENCY_STOP, STANDING, plan_cautions
from cuesync.clip import Clip
from cuesync.plan.plan import PlannedDrive, PlannedLight, PlannedSound
from tests.care.plans import BARE


def light(at_s: float, length_s: float = 0.05, name: str = "midi:36") -> PlannedLight:
    return PlannedLight(light=name, at_s=at_s, length_s=length_s, lands_s=at_s, path_s=0.0)


def sound(
    length_s: float = 1.0, *, lands_s: float = 0.6, peak: float = 0.5, gain: float = 1.0
) -> PlannedSound:
    at_s = np.arange(round(length_s * 8000)) / 8000
    samples = (peak * np.sin(200 * np.pi * at_s))[:, np.newaxis].astype(np.float32)
    return PlannedSound(
        clip=Clip(name="scream.wav", samples=samples, rate_hz=8000),
        hit_s=0.0,
        hit_kind="peak",
        hit_reason="",
        start_s=lands_s,
        cut_s=0.0,
        fade_in_s=0.0,
        gain=gain,
        outputs=(1, 2),
        lands_s=lands_s,
        path_s=0.0,
    )


PLAN = replace(BARE, pops_s=(0.6,) * 12, sounds=(sound(),))


def cautions(**changes: object) -> str:
    return "\n".join(plan_cautions(replace(PLAN, **changes)))  # type: ignore[arg-type]


def test_a_plain_plan_has_none() -> None:
    assert cautions() == ""


def test_flashes_that_go_on_for_more_than_half_a_minute_are_told() -> None:
    # HSE: no longer than 30 s at a time
    lights = tuple(light(0.5 + 0.5 * k) for k in range(70))
    assert "flashes follow each other for 34 s" in cautions(lights=lights)
    assert "follow each other" not in cautions(lights=lights[:60])


def test_a_flash_after_the_last_sound() -> None:
    assert "the flash of midi:36 ends 450 ms after the last sound" in cautions(lights=(light(2.0),))
    assert cautions(lights=(light(1.0),)) == ""


def test_a_clip_longer_than_the_reset() -> None:
    said = cautions(sounds=(sound(10.0),))
    assert "scream.wav is longer than the reset: it plays until 10.6 s after the trigger" in said


def test_a_sound_over_full_scale() -> None:
    assert "6.0 dB over full scale and is limited" in cautions(sounds=(sound(peak=1.0, gain=1.9953),))


@pytest.mark.parametrize(("before_ms", "weaker"), [(20, False), (30, True), (240, True), (250, False)])
def test_a_sound_shortly_before_the_pop_softens_the_startle(before_ms: float, weaker: bool) -> None:
    # prepulse inhibition: a weak sound 30 to 240 ms before the loud one
    said = cautions(sounds=(sound(), sound(lands_s=0.6 - before_ms / 1000)))
    assert ("softens the startle" in said) is weaker


def test_few_pops_and_wide_scatter_are_told() -> None:
    assert "rests on 2 pops" in cautions(pops_s=(0.6, 0.6))
    said = cautions(pops_s=(0.6,) * 11 + (0.65, 0.9))
    # ITU-R BT.1359-1: 50 ms early is noticed and acceptable, 300 ms early is neither
    assert "2 of 13 measured pops miss the window" in said
    assert "1 even the acceptable one" in said
    assert "given by hand" in cautions(pops_s=())


def test_the_standing_cautions_never_promise_a_stop() -> None:
    assert STANDING[0] == NO_EMERGENCY_STOP
    assert "no emergency stop" in NO_EMERGENCY_STOP
    everything = " ".join(STANDING)
    for word in ("spring", "Mains", "licensed trades", "ways out", "Local codes"):
        assert word in everything


def driven(max_on_s: float = 2.0, **changes: object) -> str:
    drive = PlannedDrive(output="gpio:22", start_s=0.3, latest_start_s=10.0, delay_s=0.0, max_on_s=max_on_s)
    return cautions(drive=drive, **changes)


def test_a_prop_that_cuesync_moves_has_cautions_of_its_own() -> None:
    said = driven(limit_contact="gpio:4", max_on_s=10.0)
    assert "cuesync itself moves this prop, 0.30 s after the press, by gpio:22" in said
    for words in ("cut the power of the output by hand, lock it off", "OSHA 1910.147", "hard-wired stop"):
        assert words in said
    assert "mains is for licensed trades" in said
    assert "\n" not in said


def test_without_a_limit_switch_a_jam_is_not_seen() -> None:
    assert "gpio:22 is on for 2 s in every scare, and a jam is not seen" in driven()


def test_an_output_that_is_off_before_the_pop_or_the_reset_is_pointed_out() -> None:
    assert "gpio:22 is off again 100 ms before the pop" in driven(0.2)
    assert "is off 6.7 s before the prop is back" in driven(limit_contact="gpio:4")
    assert "is off" not in driven()
    # it would read "off 0.0 s before": the relay's own 10 ms are no gap
    assert "is off" not in driven(8.69, limit_contact="gpio:4")
