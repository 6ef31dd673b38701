"""Shapes of light become runs of steps, placed from the pop; what can't be shown is a problem."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices.fixtures import FRAME_S
from cuesync.plan.lights import fade_steps, flicker_steps, strobe_steps
from cuesync.plan.plan import PlannedLight
from tests.plan.test_resolve import HIT_S, plan_of, problems_of, scene


def lights_of(folder: Path, text: str) -> tuple[PlannedLight, ...]:
    return plan_of(folder, scene(flash=text)).lights


def steps_of(light: PlannedLight) -> list[tuple[float, float]]:
    return [(round(step.at_s, 6), round(step.level, 6)) for step in light.steps]


def test_the_frame_is_that_of_a_full_universe() -> None:
    """ANSI E1.11: 92 µs break, 12 µs mark after it, 513 slots of 11 bits at 250 kbaud."""
    assert pytest.approx(92e-6 + 12e-6 + 513 * 11 / 250_000) == FRAME_S
    assert pytest.approx(44.1, abs=0.01) == 1.0 / FRAME_S


def test_every_shape_is_placed_from_the_pop(tmp_path: Path) -> None:
    """The delay is 640 ms; times worked by hand."""
    text = """
[[flash]]
at_ms = 0
length_ms = 80
light = "midi:36"
level = 0.5
colour = "#ff0080"
priority = 150
[[strobe]]
at_ms = 100
length_ms = 500
rate_hz = 4
duty = 0.25
light = "dmx:1:1"
[[blackout]]
at_ms = -200
length_ms = 150
light = "midi:36"
lamp_delay_ms = 40
[[fade]]
at_ms = 50
length_ms = 100
from_level = 1
to_level = 0.25
light = "midi-cc:1:7"
[[eyes]]
at_ms = -300
off_ms = 700
light = "midi:37"
[[eyes]]
at_ms = 0
light = "midi:38"
"""
    flash, strobe, blackout, fade, eyes, open_eyes = lights_of(tmp_path, text)
    assert (flash.shape, steps_of(flash), flash.priority) == ("flash", [(0.0, 0.5)], 150)
    assert flash.colour == pytest.approx((1.0, 0.0, 128 / 255))
    assert (strobe.at_s, strobe.length_s) == pytest.approx((0.740, 0.5))
    assert steps_of(strobe) == [(0.0, 1.0), (0.0625, 0.0), (0.25, 1.0), (0.3125, 0.0)]
    assert (blackout.at_s, blackout.lands_s, blackout.path_s) == pytest.approx((0.400, 0.440, 0.040))
    assert steps_of(blackout) == [(0.0, 0.0)]
    assert steps_of(fade) == [(0.0, 1.0), (0.025, 0.75), (0.05, 0.5), (0.075, 0.25)]
    assert (eyes.at_s, eyes.length_s) == pytest.approx((0.340, 1.0))
    # the clip is 1 s long and begins 0.4 s before its hit: the strobe, until 1.24 s, ends with it; the eyes
    # of the scene last longer
    assert open_eyes.at_s + open_eyes.length_s == pytest.approx(1.340)


def test_eyes_without_an_end_go_off_with_the_clip(tmp_path: Path) -> None:
    (eyes,) = lights_of(tmp_path, '[[eyes]]\nat_ms = -100\nlight = "midi:36"\n')
    plan = plan_of(tmp_path, scene(flash='[[eyes]]\nat_ms = -100\nlight = "midi:36"\n'))
    assert eyes.at_s + eyes.length_s == pytest.approx(0.640 - HIT_S + 1.0, abs=0.01)
    assert plan.cue_length_s == pytest.approx(eyes.at_s + eyes.length_s)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            '[[eyes]]\nat_ms = 900\nlight = "midi:36"\n',
            "scene.toml:9: eyes[1]: nothing else lasts longer than these eyes come on (900 ms from the pop), "
            "so the end of the cue can't end them. Say when they go off: add off_ms = …, in milliseconds "
            "from the pop.",
        ),
        (
            '[[flash]]\nat_ms = 0\nlength_ms = 20\nlight = "dmx:1:1"\n',
            "scene.toml:9: flash[1]: a step of 20.0 ms is shorter than a DMX frame (22.7 ms), so dmx:1:1 may "
            "never show it. Make it longer, or lower the rate.",
        ),
        (
            '[[strobe]]\nat_ms = 0\nlength_ms = 500\nrate_hz = 10\nduty = 0.9\nlight = "dmx:1:1"\n',
            "scene.toml:9: strobe[1]: a step of 10.0 ms is shorter than a DMX frame (22.7 ms), so dmx:1:1 "
            "may never show it. Make it longer, or lower the rate.",
        ),
        (
            '[[strobe]]\nat_ms = 0\nlength_ms = 50\nrate_hz = 4\nlight = "midi:36"\n',
            "scene.toml:11: strobe[1].length_ms: 50 is too short for one flash at 4 a second. "
            "Write 125 or more.",
        ),
        (
            '[[fade]]\nat_ms = 0\nlength_ms = 45\nfrom_level = 0\nto_level = 1\nlight = "midi:36"\n',
            "scene.toml:11: fade[1].length_ms: 45 is too short for a fade. A fade has at least two steps of "
            "one DMX frame: write 46 or more, or make it a [[flash]].",
        ),
        (
            '[[blackout]]\nat_ms = -700\nlength_ms = 45\nlight = "midi:36"\n',
            "scene.toml:10: blackout[1].at_ms: -700 can't be reached: the command would have to leave "
            "60.0 ms before the trigger. Write -640 or more.",
        ),
    ],
)
def test_what_can_not_be_shown_is_told(tmp_path: Path, text: str, said: str) -> None:
    assert problems_of(tmp_path, scene(flash=text)) == [said]


def test_a_short_flash_is_no_problem_off_the_network(tmp_path: Path) -> None:
    (flash,) = lights_of(tmp_path, '[[flash]]\nat_ms = 0\nlength_ms = 5\nlight = "midi:36"\n')
    assert flash.length_s == pytest.approx(0.005)


def test_the_wait_for_the_frame_is_said_once_a_light_and_not_taken_off(tmp_path: Path) -> None:
    flash = '[[flash]]\nat_ms = {}\nlength_ms = 80\nlight = "{}"\n'
    texts = (flash.format(0, "dmx:1:1"), flash.format(200, "dmx:1:1"), flash.format(0, "midi:36"))
    plan = plan_of(tmp_path, scene(flash="".join(texts)))
    assert [note for note in plan.remarks if "frame" in note] == [
        "dmx:1:1: a light on the network waits for the next DMX frame and comes up to 22.7 ms later than "
        "planned; nothing is taken off for that"
    ]
    assert plan.lights[0].at_s == plan.lights[2].at_s == pytest.approx(0.640)
    assert not any("frame" in note for note in plan.without_lights().remarks)


def test_lights_alone_make_a_scene(tmp_path: Path) -> None:
    text = 'title = "t"\n[prop]\ntrigger_to_pop_ms = 500\nreset_s = 5\n'
    (said,) = problems_of(tmp_path, text)
    assert "neither sound nor light" in said
    assert plan_of(tmp_path, text + '[eyes]\nat_ms = 0\noff_ms = 50\nlight = "midi:36"\n').lights


lengths_s = st.floats(0.001, 60.0)
levels = st.floats(0.0, 1.0)


@given(levels, levels, lengths_s)
def test_a_fade_goes_one_way_from_level_to_level_in_steps_of_a_frame_or_more(
    from_level: float, to_level: float, length_s: float
) -> None:
    steps = fade_steps(from_level, to_level, length_s)
    changes_s = [*(step.at_s for step in steps), length_s]
    assert steps[0].at_s == 0.0
    assert steps[-1].level == to_level
    assert len(steps) <= 256
    if len(steps) > 1:
        assert steps[0].level == from_level
        assert min(after - before for before, after in pairwise(changes_s)) >= FRAME_S - 1e-6
    assert sorted((step.level for step in steps), reverse=from_level > to_level) == pytest.approx(
        [step.level for step in steps], abs=1e-12
    )


@given(st.floats(0.1, 50.0), st.floats(0.01, 0.99), lengths_s)
def test_a_strobe_gives_whole_flashes_at_its_rate(rate_hz: float, duty: float, length_s: float) -> None:
    steps = strobe_steps(0.5, rate_hz, duty, length_s)
    ons, offs = steps[::2], steps[1::2]
    assert len(ons) == len(offs)
    assert all(step.level == 0.5 for step in ons)
    assert all(step.level == 0.0 for step in offs)
    assert all(
        off.at_s - on.at_s == pytest.approx(duty / rate_hz, rel=1e-6, abs=1e-9)
        for on, off in zip(ons, offs, strict=True)
    )
    assert all(after.at_s - before.at_s == pytest.approx(1 / rate_hz) for before, after in pairwise(ons))
    if steps:
        assert steps[-1].at_s <= length_s + 1e-6


@given(st.floats(0.1, 20.0), st.integers(0, 1000), lengths_s)
def test_a_flicker_keeps_to_its_levels_and_brightens_no_oftener_than_its_rate(
    rate_hz: float, seed: int, length_s: float
) -> None:
    steps = flicker_steps(0.25, 0.75, rate_hz, seed, length_s)
    assert steps == flicker_steps(0.25, 0.75, rate_hz, seed, length_s)
    assert all(0.25 <= step.level <= 0.75 for step in steps)
    changes_s = [step.at_s for step in steps]
    assert all(after - before >= FRAME_S - 1e-9 for before, after in pairwise(changes_s))
    ups_s = [after.at_s for before, after in pairwise(steps) if after.level > before.level]
    assert all(after - before >= 1.0 / rate_hz - 1e-9 for before, after in pairwise(ups_s))
    if length_s < 1.0 / (2.0 * rate_hz):
        assert len(steps) == 1


def test_another_seed_flickers_otherwise() -> None:
    assert flicker_steps(0.0, 1.0, 5.0, 1, 3.0) != flicker_steps(0.0, 1.0, 5.0, 2, 3.0)
