"""A show that is started again while a prop is still on its way back."""

from __future__ import annotations

import signal
import sqlite3
import time
from contextlib import closing
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from cuesync.show.events import Note, PressRefused, Triggered
from cuesync.show.log import new_night_file, seconds_since_triggers
from cuesync.show.staging import staged
from cuesync.show.states import State, Step
from tests.show.plans import plan
from tests.show.simulation import Simulation
from tests.show.test_live import PROGRAM, Program
from tests.show.test_log import TODAY, logged_night


def test_the_lockout_of_the_last_press_goes_on() -> None:
    plans = [plan(reset_s=30.0), plan(title="Attic", contact="key:f", reset_s=30.0)]
    night = Simulation(plans, since_triggers_s={"Cellar door": 5.0})
    assert night.state() is State.RESETTING
    assert night.state("Attic") is State.ARMED
    (note,) = (note for note in night.all(Note) if note.scene == "Cellar door")
    assert note.what == "was triggered 5 s before this start; its lockout goes on for 25 s."
    night.press()
    night.clock.sleep_s(1.0)
    (refused,) = night.all(PressRefused)
    assert refused.wait_s == pytest.approx(24.5, abs=0.1)
    night.clock.sleep_s(24.0)
    night.press()
    night.clock.sleep_s(0.1)
    assert [event.scene for event in night.all(Triggered)] == ["Cellar door"]


def test_a_prop_that_is_back_by_now_is_armed_at_once_and_without_a_word() -> None:
    night = Simulation([plan(reset_s=30.0)], since_triggers_s={"Cellar door": 31.0, "a scene of before": 1.0})
    assert night.state() is State.ARMED
    assert not night.all(Note)


def test_the_time_between_groups_goes_on_too() -> None:
    cue = replace(plan(reset_s=5.0), between_groups_s=60.0)
    night = Simulation([cue], since_triggers_s={"Cellar door": 10.0})
    assert night.state() is State.RESETTING
    night.clock.sleep_s(50.0)
    assert night.state() is State.ARMED


def test_with_a_limit_switch_that_is_still_closed_the_old_pop_is_waited_for() -> None:
    """Not driven: it stands closed until the spring lets go, so that closed is no sign of being reset."""
    cue = replace(plan(reset_s=30.0, delay_s=6.0), limit_contact="gpio:5", limit_margin_s=5.0)
    night = Simulation([cue], closed=("gpio:5",), since_triggers_s={"Cellar door": 2.0})
    night.press()
    night.clock.sleep_s(0.1)
    assert not night.all(Triggered)
    assert len(night.all(PressRefused)) == 1


def test_a_limit_switch_that_has_told_nothing_ends_no_lockout_of_before() -> None:
    cue = replace(plan(reset_s=30.0, delay_s=0.6), limit_contact="midi:60", limit_margin_s=2.0)
    scene = staged(cue, None, [], None, hears=False).state
    scene.was_triggered(97.0)
    scene.step(Step.ARM, 100.0)
    scene.advance(126.9)
    assert scene.state is State.RESETTING
    scene.advance(127.1)
    assert scene.state is State.ARMED  # type: ignore[comparison-overlap]


def test_the_log_tells_how_long_ago_a_scene_was_triggered(tmp_path: Path) -> None:
    assert seconds_since_triggers(tmp_path / "nowhere") == {}
    path = logged_night(tmp_path)
    new_night_file(tmp_path, TODAY)  # a start that came to nothing
    assert 0.0 <= seconds_since_triggers(tmp_path)["Cellar door"] < 60.0
    later = logged_night(tmp_path)
    times = {path: timedelta(seconds=90), later: timedelta(seconds=20)}
    for file, ago in times.items():
        _set_walls(file, datetime.now().astimezone() - ago)
    since_s = seconds_since_triggers(tmp_path)
    assert since_s == {"Cellar door": pytest.approx(20.0, abs=5.0)}
    for file in times:  # somebody has set the clock back
        _set_walls(file, datetime.now().astimezone() + timedelta(hours=1))
    assert seconds_since_triggers(tmp_path) == {}
    for file in times:
        file.write_bytes(b"not a log any more")
    assert seconds_since_triggers(tmp_path) == {}


def _set_walls(path: Path, wall: datetime) -> None:
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("UPDATE event SET wall = ?", (wall.isoformat(timespec="milliseconds"),))


def test_a_killed_show_that_is_started_again_refuses_until_the_prop_is_back(tmp_path: Path) -> None:
    slow = PROGRAM.replace("reset_s=1.0", "reset_s=60.0")
    first = Program(tmp_path, code=slow)
    try:
        first.wait_for("armed")
        first.press()
        first.wait_for("scare 1: triggered")
        time.sleep(0.2)
        first.end(signal.SIGKILL)
    finally:
        first.close()
    again = Program(tmp_path, code=slow)
    try:
        again.wait_for("its lockout goes on for 5")
        again.press()
        again.wait_for("refused")
        assert not any("armed" in str(text) for _, text in again.said)
        assert again.end(signal.SIGTERM) == 0
    finally:
        again.close()
