"""A prop that cuesync starts waits for clips with a long lead-in, and everything else waits with it."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cuesync.plan.drive import in_the_way, moved_by
from cuesync.plan.placing import with_device_latency
from cuesync.plan.plan import EARLIEST_START_S, Plan
from tests.plan.test_resolve import HIT_S, plan_of, problems_of, profile, scene

DRIVE = '[drive]\noutput = "gpio:22"\nmax_on_s = 2\n'


def driven(folder: Path, drive: str = DRIVE, **changes: object) -> Plan:
    return plan_of(folder, scene(**changes) + drive)  # type: ignore[arg-type]


def test_a_long_lead_in_is_played_uncut_because_the_prop_waits(tmp_path: Path) -> None:
    """By hand: the hit lies 400 ms into the clip and the pop comes 100 ms after the output, so the output
    waits 300 ms for the clip, and both for the 20 ms that a press may be under way."""
    flash = '[[flash]]\nlight = "midi:36"\nat_ms = -50\nlength_ms = 80\n'
    plan = driven(tmp_path, delay_ms=100, flash=flash)
    assert plan.drive is not None
    assert plan.drive.start_s == pytest.approx(0.32)
    (sound,) = plan.sounds
    assert sound.start_s == pytest.approx(0.02)
    assert sound.cut_s == 0.0
    assert plan.delay_s == pytest.approx(0.42)
    assert sound.lands_s == pytest.approx(0.42)
    assert plan.lights[0].at_s == pytest.approx(0.37)
    assert plan.reset_s == pytest.approx(9.32)
    assert plan.remarks[0] == (
        "gpio:22 starts the prop 320.0 ms after the trigger, held back for what has to come before the pop"
    )
    without = plan_of(tmp_path, scene(delay_ms=100))
    assert without.sounds[0].cut_s == pytest.approx(0.3)


def test_without_need_the_prop_starts_as_soon_as_a_press_can_be_there(tmp_path: Path) -> None:
    plan = driven(tmp_path, delay_ms=700)
    assert plan.drive is not None
    assert plan.drive.start_s == pytest.approx(EARLIEST_START_S)
    assert plan.sounds[0].start_s == pytest.approx(0.32)
    assert plan.remarks[0] == "gpio:22 starts the prop 20.0 ms after the trigger"
    # 10 s of holding back, taken off again, leave 20 ms and a rounding error
    plan = driven(tmp_path, delay_ms=697)
    assert plan.remarks[0] == "gpio:22 starts the prop 20.0 ms after the trigger"


def test_the_relay_takes_its_time_as_well(tmp_path: Path) -> None:
    plan = driven(tmp_path, DRIVE + "output_delay_ms = 12\n", delay_ms=700)
    assert plan.drive is not None
    assert plan.drive.start_s == pytest.approx(0.02)
    assert plan.delay_s == pytest.approx(0.732)
    assert plan.reset_s == pytest.approx(9.032)


def test_it_waits_no_longer_than_it_may_and_then_the_head_is_cut(tmp_path: Path) -> None:
    plan = driven(tmp_path, DRIVE + "hold_back_ms = 100\n", delay_ms=100)
    assert plan.drive is not None
    assert plan.drive.start_s == pytest.approx(0.12)
    (sound,) = plan.sounds
    assert sound.start_s == 0.0
    assert sound.cut_s == pytest.approx(0.18)
    assert sound.lands_s == pytest.approx(plan.delay_s)


def test_the_measured_pops_and_the_reset_wait_too(tmp_path: Path) -> None:
    profile(tmp_path, [0.1, 0.11, 0.12])
    text = scene().replace("trigger_to_pop_ms = 640\nreset_s = 9", 'profile = "prop.toml"')
    plan = plan_of(tmp_path, text + DRIVE)
    assert plan.drive is not None
    assert plan.drive.start_s == pytest.approx(0.31)  # the median, 110 ms, against a lead-in of 400
    assert plan.pops_s == pytest.approx((0.41, 0.42, 0.43))
    assert plan.delay_s == pytest.approx(0.42)
    assert plan.reset_s == pytest.approx(9.2 + 0.31)


CODE = '[time_code]\nrate = "25"\nat_pop = "01:00:10:00"\ngear_delay_ms = 5\n'


@pytest.mark.parametrize("delay_ms", [100, 700])
def test_nothing_waits_for_time_code_which_begins_with_the_trigger(tmp_path: Path, delay_ms: float) -> None:
    plan = driven(tmp_path, DRIVE + CODE, delay_ms=delay_ms)
    without = driven(tmp_path, delay_ms=delay_ms)
    assert plan.drive == without.drive
    (code,) = plan.messages
    assert (code.at_s, code.lands_s) == (0.0, 0.005)
    # seen from the pop each quarter frame leaves when it would where nobody holds the prop back
    plain = plan_of(tmp_path, scene(delay_ms=1000 * plan.delay_s) + CODE).messages[0]
    assert [data for _, data in code.messages] == [data for _, data in plain.messages][: len(code.messages)]
    assert [at_s for at_s, _ in code.messages] == pytest.approx(
        [at_s for at_s, _ in plain.messages][: len(code.messages)]
    )
    assert plan.cue_length_s == pytest.approx(without.cue_length_s)
    slow = with_device_latency(plan, 0.25, "slow")
    assert slow.messages[0].messages[-1][0] - slow.delay_s == pytest.approx(
        code.messages[-1][0] - plan.delay_s
    )


def test_time_code_that_ends_early_is_given_room_for_one_whole_time(tmp_path: Path) -> None:
    """By hand: 3.2 ms for the full frame, two frames to begin on an even one, seven quarters."""
    plan = driven(tmp_path, DRIVE + CODE + "off_ms = -650\n", delay_ms=700)
    (code,) = plan.messages
    assert len(code.messages) >= 1 + 8
    assert code.length_s == pytest.approx(EARLIEST_START_S + 0.0032 + 3.75 / 25)


def test_a_cue_that_may_follow_the_drift_keeps_room_for_it(tmp_path: Path) -> None:
    text = scene(delay_ms=100).replace("reset_s", 'pop_contact = "gpio:4"\nfollow_drift_ms = 60\nreset_s')
    plan = plan_of(tmp_path, text + DRIVE)
    assert plan.sounds[0].start_s == pytest.approx(EARLIEST_START_S + 0.06)


def test_a_microphone_listens_from_when_the_prop_is_started(tmp_path: Path) -> None:
    """100 ms to either side of a pop at 100 ms, and no sooner than 50 ms after the start, as without."""
    text = scene(delay_ms=100).replace("reset_s", 'pop_contact = "microphone:1"\nreset_s')
    without, plan = plan_of(tmp_path, text), plan_of(tmp_path, text + DRIVE)
    assert any("listens for the pop from 50 to 200 ms after" in note for note in without.remarks)
    assert any("listens for the pop from 370 to 520 ms after" in note for note in plan.remarks)


def test_the_prop_waits_for_a_slow_sound_device_too(tmp_path: Path) -> None:
    """What `run` learns from the device only then; nothing is cut, and the pop comes later by as much."""
    before = driven(tmp_path, delay_ms=100)
    after = with_device_latency(before, 0.25, "slow")
    assert before.drive is not None
    assert after.drive is not None
    assert after.drive.start_s == pytest.approx(before.drive.start_s + 0.25)
    assert after.delay_s == pytest.approx(before.delay_s + 0.25)
    assert after.sounds[0].start_s == pytest.approx(EARLIEST_START_S)
    assert after.sounds[0].cut_s == 0.0
    assert after.sounds[0].lands_s == pytest.approx(after.delay_s)
    short = with_device_latency(driven(tmp_path, DRIVE + "hold_back_ms = 400\n", delay_ms=100), 0.25, "slow")
    assert short.drive is not None
    assert short.drive.start_s == pytest.approx(0.42)
    assert short.sounds[0].cut_s == pytest.approx(0.13)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    delay_ms=st.integers(5, 3000),
    relay_ms=st.integers(0, 50),
    at_ms=st.integers(-2000, 500),
    flash_ms=st.integers(-2000, 500),
    latency_ms=st.integers(0, 400),
)
def test_seen_from_the_pop_nothing_changes_but_that_nothing_is_cut(
    tmp_path: Path, delay_ms: int, relay_ms: int, at_ms: int, flash_ms: int, latency_ms: int
) -> None:
    plan = driven(
        tmp_path,
        DRIVE + f"output_delay_ms = {relay_ms}\n",
        delay_ms=delay_ms,
        sound=f"hit_s = {HIT_S}\nat_ms = {at_ms}",
        flash=f'[[flash]]\nlight = "midi:36"\nat_ms = {flash_ms}\nlength_ms = 80\n',
    )
    plan = with_device_latency(plan, latency_ms / 1000.0, "any")
    assert plan.drive is not None
    (sound,), (light,) = plan.sounds, plan.lights
    assert sound.cut_s == 0.0
    assert plan.delay_s - plan.drive.start_s == pytest.approx((delay_ms + relay_ms) / 1000.0)
    assert sound.lands_s - plan.delay_s == pytest.approx(at_ms / 1000.0, abs=1e-9)
    assert light.lands_s - plan.delay_s == pytest.approx(flash_ms / 1000.0, abs=1e-9)
    assert sound.start_s + HIT_S + sound.path_s == pytest.approx(sound.lands_s)
    assert min(plan.drive.start_s, sound.start_s, light.at_s) == pytest.approx(EARLIEST_START_S)
    there_and_back = moved_by(moved_by(plan, 0.5), -0.5)
    assert there_and_back.delay_s == pytest.approx(plan.delay_s)


def test_a_prop_without_limit_switch_must_be_off_before_its_next_cycle(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, scene() + '[drive]\noutput = "gpio:22"\nmax_on_s = 9\n')
    assert "drive.max_on_s: 9 s is not shorter than the reset (9 s)" in problem
    assert "add limit_contact" in problem
    limited = scene().replace("reset_s", 'limit_contact = "gpio:4"\nreset_s')
    assert plan_of(tmp_path, limited + '[drive]\noutput = "gpio:22"\nmax_on_s = 9\n').drive is not None


def test_an_output_needs_its_wire_for_itself(tmp_path: Path) -> None:
    limited = scene().replace("reset_s", 'limit_contact = "serial:COM3:cts"\nreset_s')
    (problem,) = problems_of(tmp_path, limited + '[drive]\noutput = "serial:COM3:rts"\nmax_on_s = 2\n')
    assert "drive.output: what starts the prop can't be beside serial:COM3:cts, the limit switch" in problem
    lit = scene(flash='[[flash]]\nlight = "board:COM3:eyes"\nat_ms = 0\nlength_ms = 80\n')
    (problem,) = problems_of(tmp_path, lit + '[drive]\noutput = "board:COM3:eyes"\nmax_on_s = 2\n')
    assert "drive.output: what starts the prop can't be beside the light board:COM3:eyes" in problem


def test_an_output_is_not_shared_with_another_scene_or_the_whole_show(tmp_path: Path) -> None:
    one, other = driven(tmp_path), driven(tmp_path, DRIVE.replace("22", "22 low"))
    assert in_the_way(one, [one]) is None
    assert in_the_way(one, [other, one]) == "gpio:22 low, which starts another prop"
    assert in_the_way(one, [one], contacts=["gpio:22 nc"]) == "the contact gpio:22 nc"
    assert in_the_way(plan_of(tmp_path, scene()), [one]) is None
    board = driven(tmp_path, DRIVE.replace("gpio:22", "board:COM3:prop"))
    assert in_the_way(board, [board], lights=["board:COM3:prop"]) == "the light board:COM3:prop"


@pytest.mark.parametrize(
    ("drive", "said"),
    [
        ('output = "midi:36"\nmax_on_s = 2', "is no output that may start a prop"),
        ('output = "gpio:22"', "max_on_s"),
        ('output = "gpio:22"\nmax_on_s = 0', "more than 0"),
        ("max_on_s = 2", "output"),
    ],
)
def test_a_drive_needs_an_output_and_a_longest_time(tmp_path: Path, drive: str, said: str) -> None:
    (problem,) = problems_of(tmp_path, scene() + f"[drive]\n{drive}\n")
    assert said in problem
