"""The shipped scenes and profile hold together with the shipped recordings and clips."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from cuesync.care import flashes_in_any_second
from cuesync.measuring.recording import measure_recording
from cuesync.plan.plan import Plan
from cuesync.plan.resolve import resolve
from cuesync.profile import prop_numbers, read_profile
from cuesync.scene.load import read_scene

PROFILE = "attic-crone-profile.toml"


def planned(scenes: Path, name: str) -> Plan:
    return resolve(read_scene(scenes / name))


def test_every_scene_can_be_played_and_stays_below_the_flash_limit(scenes: Path) -> None:
    """At most 3 flashes in any one second (WCAG 2.3.1)."""
    names = sorted(file.name for file in scenes.glob("*.toml") if not file.name.endswith("-profile.toml"))
    assert len(names) >= 2
    for name in names:
        plan = planned(scenes, name)
        assert plan.sounds
        assert 1 <= flashes_in_any_second(plan.lights, plan.fixtures) <= 3
        assert plan.cue_length_s < plan.reset_s


def test_the_scream_meets_the_pop_and_its_breath_is_heard(scenes: Path, truth: dict[str, Any]) -> None:
    plan = planned(scenes, "attic-crone.toml")
    (scream,) = plan.sounds
    known = truth["clips"]["scream.flac"]
    assert known["hit_s"] <= scream.hit_s <= known["full_s"]
    assert scream.lands_s - plan.delay_s == pytest.approx(plan.bias_s)
    assert scream.cut_s == 0.0
    assert [round(light.lands_s - plan.delay_s, 6) for light in plan.lights] == [0.0, 0.6]


def test_the_build_up_is_over_well_before_the_pop(scenes: Path, truth: dict[str, Any]) -> None:
    """A faint sound 30 to 240 ms before the loud one weakens the startle (prepulse inhibition)."""
    plan = planned(scenes, "shelf-skull.toml")
    creak, sting = plan.sounds
    assert creak.hit_s == truth["clips"]["creak.flac"]["hit_s"]
    assert plan.delay_s - creak.lands_s > 0.240
    assert creak.cut_s == 0.0
    assert sting.hit_s == pytest.approx(truth["clips"]["sting.flac"]["hit_s"], abs=0.005)


def test_the_profile_is_what_the_recording_says(
    scenes: Path, sample_audio: Path, truth: dict[str, Any]
) -> None:
    profile = prop_numbers(read_profile(scenes / PROFILE).content)
    (session,) = read_profile(scenes / PROFILE).content.session
    measured = measure_recording(sample_audio / session.recording)
    for kept_s, trial, true in zip(
        profile.delays_s, measured.trials, truth["recordings"][session.recording]["trials"], strict=True
    ):
        if true["release_s"] is None:
            assert kept_s is None
            assert trial.delay_s is None
        else:
            assert kept_s == pytest.approx(trial.delay_s, abs=0.001)
            assert kept_s == pytest.approx(true["release_s"] - true["trigger_s"], abs=0.0015)
