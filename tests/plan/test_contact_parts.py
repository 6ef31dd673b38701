"""A scene's contacts: their habits reach the plan, and none does two things."""

from __future__ import annotations

from pathlib import Path

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
enable_contact = "midi:1:4"
[sound]
clip = "bang.wav"
"""


def test_the_habits_reach_the_plan(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, SCENE.format(limit="midi:1:2"))
    assert (plan.hold_off_s, plan.between_groups_s, plan.limit_margin_s) == (6.0, 90.0, 3.0)
    assert plan.contacts == (
        ("midi:1:3", "trigger"),
        ("midi:1:4", "dead-man"),
        ("midi:1:1", "pop"),
        ("midi:1:2", "limit switch"),
    )


def test_one_contact_can_not_do_two_things(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, SCENE.format(limit="midi:4"))
    assert "midi:4 is the same contact as enable_contact in [trigger]. Give each" in problem
    assert ":6" in problem or "line 6" in problem


def test_an_unknown_contact_is_told_with_its_key(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, SCENE.format(limit="bell:1"))
    assert "limit_contact" in problem
    assert "is not a contact" in problem
