"""A scene's contacts: their habits reach the plan, and none does two things."""

from __future__ import annotations

from pathlib import Path

import pytest

from cuesync.plan.listening import listening_s
from tests.plan.test_resolve import plan_of, problems_of

SCENE = """title = "Cellar door"
[prop]
trigger_to_pop_ms = 600
reset_s = 5
pop_contact = "midi:1:1"
limit_contact = "{limit}"
limit_margin_s = 3
[trigger]
contact = "midi:1:3"
hold_off_s = 6
between_groups_s = 90
enable_contact = "gpio:4"
[sound]
clip = "bang.wav"
"""


def test_the_habits_reach_the_plan(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, SCENE.format(limit="midi:1:2"))
    assert (plan.hold_off_s, plan.between_groups_s, plan.limit_margin_s) == (6.0, 90.0, 3.0)
    assert plan.contacts == (
        ("midi:1:3", "trigger"),
        ("gpio:4", "dead-man"),
        ("midi:1:1", "pop"),
        ("midi:1:2", "limit switch"),
    )


def test_one_contact_can_not_do_two_things(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, SCENE.format(limit="midi:3"))
    assert "midi:3 is the same contact as contact in [trigger]. Give each" in problem
    assert ":6" in problem or "line 6" in problem


def test_an_unknown_contact_is_told_with_its_key(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, SCENE.format(limit="bell:1"))
    assert "limit_contact" in problem
    assert "is not a contact" in problem


def test_a_microphone_listens_around_the_pop_and_a_note_says_when(tmp_path: Path) -> None:
    text = SCENE.replace("midi:1:1", "microphone:1").format(limit="midi:1:2")
    plan = plan_of(tmp_path, text)
    assert plan.pop_contact == "microphone:1"
    (note,) = (note for note in plan.remarks if "microphone" in note)
    assert note.startswith("microphone:1 listens for the pop from 500 to 700 ms after the trigger;")


def test_a_microphone_triggers_nothing(tmp_path: Path) -> None:
    for key in ("contact", "enable_contact", "limit_contact"):
        lines = [
            f'{key} = "microphone:2"' if line.startswith(key) else line
            for line in SCENE.format(limit="midi:1:2").splitlines()
        ]
        (problem,) = problems_of(tmp_path, "\n".join(lines))
        assert key in problem
        assert "can be nothing but its pop_contact" in problem


@pytest.mark.parametrize(
    ("contact", "says"),
    [
        ("gpio:7 nc", "a broken wire would count as held. Wire a"),
        ("input:1", "the wrong way round"),
        ("midi:4", "where a MIDI cable is pulled, no message says that it was let go"),
        ("midi-cc:64", "where a MIDI cable is pulled, no message says that it was let go"),
        ("osc:/hall/hold", "where the message that it was let go is lost"),
        ("mqtt:hall/hold", "where the message that it was let go is lost"),
    ],
)
def test_a_dead_man_contact_counts_as_let_go_where_its_wire_breaks(
    tmp_path: Path, contact: str, says: str
) -> None:
    (problem,) = problems_of(tmp_path, SCENE.format(limit="midi:1:2").replace("gpio:4", contact))
    assert "enable_contact" in problem
    assert says in problem


def test_an_input_of_the_sound_card_is_no_limit_switch(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, SCENE.format(limit="input:1"))
    assert ":6" in problem or "line 6" in problem
    assert "prop.limit_contact" in problem
    assert "as it stands at the start it counts as open, but a limit switch is closed then" in problem
    assert "Write another kind of contact, a pin" in problem


def test_listening_reaches_one_spread_around_the_pops() -> None:
    assert listening_s(0.6, (0.59, 0.60, 0.60, 0.60, 0.61)) == pytest.approx((0.54, 0.66))
    assert listening_s(0.6, (0.55, 0.60, 0.60, 0.60, 0.65)) == pytest.approx((0.45, 0.75))
    assert listening_s(0.6, ()) == pytest.approx((0.5, 0.7))  # timed by hand: 100 ms at least
    assert listening_s(2.0, (2.0,)) == pytest.approx((1.7, 2.3))  # or 15 % of the delay
    assert listening_s(0.03, ())[0] == pytest.approx(0.05)  # the button's own click lies before
