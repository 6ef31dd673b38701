"""A rehearsal: the same show, with a clock that jumps and a prop that is drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cuesync.show.rehearsal import rehearse
from tests.show.plans import click, light, plan, sound


def test_the_hit_lies_on_the_planned_sample() -> None:
    rehearsal = rehearse(plan(delay_s=0.6), presses=1)
    assert rehearsal.rate_hz == 48000
    assert rehearsal.sound.dtype == np.float32
    assert np.flatnonzero(rehearsal.sound[:, 0]).tolist() == [28800]  # 0.6 s at 48 kHz
    assert rehearsal.sound[28800].tolist() == [0.5, 0.5]


def test_every_press_is_played_and_lands_within_half_a_sample() -> None:
    rehearsal = rehearse(plan(delay_s=0.6), presses=30)
    assert len(rehearsal.scares) == 30
    offsets_s = [scare.offset_s for scare in rehearsal.scares if scare.offset_s is not None]
    assert len(offsets_s) == 30
    assert max(abs(offset_s) for offset_s in offsets_s) <= 0.51 / 48000
    assert len(set(offsets_s)) > 20  # at random phases of the block


def test_the_offset_follows_the_drawn_pops() -> None:
    pops_s = (0.58, 0.60, 0.63)
    rehearsal = rehearse(plan(delay_s=0.6, pops_s=pops_s), presses=40)
    drawn_s = {round(scare.pop_s, 9) for scare in rehearsal.scares}
    assert drawn_s == set(pops_s)
    for scare in rehearsal.scares:
        # Positive = sound first (ITU-R BT.1359-1): the sound lands at 0.6.
        assert scare.offset_s == pytest.approx(scare.pop_s - 0.6, abs=1 / 48000)


def test_lights_go_out_at_their_times() -> None:
    rehearsal = rehearse(plan(lights=(light(0.6, 0.08), light(0.1, 0.02, "midi:40"))), presses=2)
    assert [(name, on) for name, on, _ in rehearsal.lights] == [
        ("midi:40", True),
        ("midi:40", False),
        ("midi:36", True),
        ("midi:36", False),
    ]
    assert [at_s for _, _, at_s in rehearsal.lights] == pytest.approx([0.1, 0.12, 0.6, 0.68], abs=1e-9)


def test_the_path_is_added_to_where_it_lands_and_not_to_the_file() -> None:
    planned = plan(delay_s=0.6, sounds=(sound(click(), start_s=0.48, path_s=0.02),))
    rehearsal = rehearse(planned, presses=1)
    assert np.flatnonzero(rehearsal.sound[:, 0]).tolist() == [round(0.58 * 48000)]
    assert rehearsal.scares[0].sounds_land_s == pytest.approx([0.6], abs=1 / 48000)


def test_other_rates_are_resampled_before_arming() -> None:
    clip = click(rate_hz=44100)
    rehearsal = rehearse(plan(delay_s=0.6, sounds=(sound(clip, start_s=0.5),)), presses=1)
    assert abs(int(np.argmax(np.abs(rehearsal.sound[:, 0]))) - 28800) <= 1


def test_a_cut_head_starts_inside_the_clip_under_a_fade() -> None:
    clip = click(length_s=0.2, hit_s=0.1)
    clip.samples[:] = 0.25
    planned = plan(delay_s=0.07, sounds=(sound(clip, start_s=0.01, cut_s=0.04, fade_in_s=0.01),))
    heard = rehearse(planned, presses=1).sound[:, 0]
    assert not heard[:480].any()
    assert 0.0 < heard[480] < 0.001
    assert np.all(np.diff(heard[480:960]) > 0)
    assert np.all(heard[960 : round(0.17 * 48000)] == 0.25)


def test_a_lead_shorter_than_the_block_loses_its_head_and_hits_on_time() -> None:
    rehearsal = rehearse(plan(delay_s=0.1, sounds=(sound(click(), start_s=0.0),)), presses=40)
    lands_s = [scare.sounds_land_s[0] for scare in rehearsal.scares]
    assert lands_s == pytest.approx([0.1] * 40, abs=1 / 48000)


def test_a_hit_within_the_first_block_is_late_by_less_than_a_block() -> None:
    cue = plan(delay_s=0.1, sounds=(sound(click(hit_s=0.0), start_s=0.0, hit_s=0.0),))
    rehearsal = rehearse(cue, presses=40)
    late_s = [scare.sounds_land_s[0] for scare in rehearsal.scares if scare.sounds_land_s[0] is not None]
    assert len(late_s) == 40
    assert -1 / 48000 < min(late_s) < 0.001
    assert 0.004 < max(late_s) <= 257 / 48000


def test_the_same_seed_gives_the_same_rehearsal() -> None:
    one, two = (rehearse(plan(pops_s=(0.59, 0.61)), presses=10, seed=4) for _ in range(2))
    assert one.scares == two.scares
    assert np.array_equal(one.sound, two.sound)


def test_a_plan_of_lights_alone() -> None:
    rehearsal = rehearse(plan(sounds=(), lights=(light(0.2),)), presses=2)
    assert not rehearsal.sound.any()
    assert [scare.offset_s for scare in rehearsal.scares] == [None, None]


@pytest.mark.parametrize("contact", ["midi:61", "microphone:1"])
def test_a_prop_whose_pop_is_watched_pops_in_a_rehearsal_too(contact: str) -> None:
    """Three pops unseen would be misfires, and set the scene aside."""
    rehearsal = rehearse(replace(plan(), pop_contact=contact), presses=6)
    assert [scare.pop_s for scare in rehearsal.scares] == pytest.approx([0.6] * 6)
