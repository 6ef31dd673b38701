"""Show control and time code become MIDI messages with their times; what can't be sent is a problem."""

from __future__ import annotations

from pathlib import Path

import pytest

from cuesync.plan.messages import time_code_problems
from cuesync.scene.load import read_scene
from tests.plan.test_resolve import plan_of, problems_of, scene

GO = '[[show_control]]\nat_ms = {at}\ncommand = "go"\ncue = "12.5"\ncue_list = "2"\ndevice = 3\n'


def test_commands_are_placed_from_the_pop(tmp_path: Path) -> None:
    """The delay is 640 ms; times worked by hand."""
    text = GO.format(at=-100) + (
        'gear_delay_ms = 40\n[[show_control]]\nat_ms = 0\ncommand = "fire"\nmacro = 10\ndevice = 1\n'
    )
    plan = plan_of(tmp_path, scene(flash=text))
    go, fire = plan.messages
    assert (go.name, fire.name) == ("go 12.5 lighting 3", "fire 10 lighting 1")
    assert (go.at_s, go.lands_s, go.path_s) == pytest.approx((0.5, 0.54, 0.04))
    assert (fire.at_s, fire.length_s) == pytest.approx((0.64, 0.0))
    # MMA RP-002, general layout and its FIRE example
    assert go.messages == ((0.0, bytes.fromhex("F07F03020101 31322E35 00 32 F7")),)
    assert fire.messages == ((0.0, bytes.fromhex("F07F010201070AF7")),)
    assert any("other gear" in remark and "not counted" in remark for remark in plan.remarks)
    assert not any("other gear" in remark for remark in plan.without_lights().remarks)


def test_what_is_sent_at_a_stop_is_kept_apart(tmp_path: Path) -> None:
    text = '[show_control]\nat_stop = true\ncommand = "all_off"\ngear = "sound"\n'
    plan = plan_of(tmp_path, scene(flash=text))
    assert plan.messages == ()
    (all_off,) = plan.stop_messages
    assert all_off.name == "all_off sound all"
    assert all_off.messages == ((0.0, bytes.fromhex("F07F7F021008F7")),)


def test_time_code_runs_until_the_cue_ends(tmp_path: Path) -> None:
    text = '[time_code]\nrate = "25"\nat_pop = "10:00:00:00"\ngear_delay_ms = 5\n' + GO.format(at=1000)
    plan = plan_of(tmp_path, scene(flash=text))
    _, code = plan.messages
    assert (code.name, code.at_s, code.lands_s) == ("time code 25", 0.0, 0.005)
    # the pop is at 640 ms; at 25 a second frame −14 is 560 ms earlier, and leaves 5 ms before its time
    assert code.messages[0] == (0.0, bytes.fromhex("F07F7F0101 29 3B 3B 0B F7"))  # 09:59:59:11 at type 1
    assert code.messages[1][0] == pytest.approx(0.640 - 0.560 - 0.005)
    assert 1.635 - 0.010 < code.length_s <= 1.635
    assert plan.cue_length_s == pytest.approx(1.64)


def test_time_code_may_end_on_its_own_and_be_all_there_is(tmp_path: Path) -> None:
    text = (
        'title = "t"\n[prop]\ntrigger_to_pop_ms = 640\nreset_s = 9\n[time_code]\nrate = "30"\noff_ms = 2000\n'
    )
    plan = plan_of(tmp_path, text)
    assert 2.64 - 1 / 120 < plan.cue_length_s <= 2.64
    assert problems_of(tmp_path, text.replace("off_ms = 2000\n", "")) == [
        "scene.toml:5: time_code: the cue is too short for a single whole time. Give off_ms = …, in "
        "milliseconds from the pop, or leave the time code out."
    ]


def test_a_command_before_the_trigger_is_a_problem(tmp_path: Path) -> None:
    assert problems_of(tmp_path, scene(flash=GO.format(at=-700))) == [
        "scene.toml:10: show_control[1].at_ms: -700 can't be reached: the command would have to leave 60.0 "
        "ms before the trigger. Write -640 or more."
    ]


def test_two_scenes_of_one_night_send_no_two_time_codes(tmp_path: Path) -> None:
    files = []
    for name in ("one", "two"):
        path = tmp_path / f"{name}.toml"
        path.write_text(scene(flash='[time_code]\nrate = "25"\n'), encoding="utf-8")
        files.append(read_scene(path))
    assert time_code_problems(files[:1]) == ()
    (problem,) = time_code_problems(files)
    assert str(problem) == (
        f"{tmp_path}/two.toml:9: time_code: {tmp_path}/one.toml sends time code as well, and other gear can "
        "follow only one. Leave it in one of the scenes."
    )


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[[show_control]]\nat_ms = 0\ncommand = "jump"', "scene.toml:11: show_control[1].command: "),
        (GO.format(at=0) + 'gear = "pyro"', "scene.toml:15: show_control[1].gear: "),
        (GO.format(at=0).replace("= 3", "= 128"), "scene.toml:14: show_control[1].device: "),
        (GO.format(at=0).replace("12.5", "12,5"), 'scene.toml:12: show_control[1].cue: "12,5" is no cue'),
        (GO.format(at=0) + "macro = 3", 'scene.toml:9: show_control[1]: "fire" needs a macro'),
        (GO.format(at=0) + "at_stop = true", "scene.toml:9: show_control[1]: it must be clear when"),
        ('[[show_control]]\ncommand = "go"', "scene.toml:9: show_control[1]: it must be clear when"),
        (GO.format(at=0).replace('cue = "12.5"\n', ""), "scene.toml:9: show_control[1]: a path needs a list"),
        ('[time_code]\nrate = "29.97"', "scene.toml:10: time_code.rate: "),
        (
            '[time_code]\nrate = "29.97df"\nat_pop = "00:01:00:00"',
            'scene.toml:9: time_code: "00:01:00:00" is left out at 29.97df',
        ),
        ('[time_code]\nrate = "25"\noff_ms = -640', "scene.toml:9: time_code: the cue is too short"),
    ],
)
def test_mistakes_are_told_with_line_and_key(tmp_path: Path, text: str, told: str) -> None:
    (problem,) = problems_of(tmp_path, scene(flash=text))
    assert problem.startswith(told)
