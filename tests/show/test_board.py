"""The operator's rows."""

from __future__ import annotations

import json

import pytest

from cuesync.show.board import Board, SceneRow
from cuesync.show.events import Fault, PressRefused, Recovered, StateChanged
from cuesync.show.states import State
from tests.show.plans import plan
from tests.show.simulation import Simulation


def board_of(night: Simulation, titles: list[str]) -> Board:
    board = Board(titles)
    for event in night.said:
        board.take(event)
    return board


def test_a_scene_from_armed_to_ready_again() -> None:
    night = Simulation([plan(reset_s=5.0), plan(title="Attic", contact="key:f")])
    titles = ["Cellar door", "Attic"]
    cellar, attic = board_of(night, titles).rows(night.clock.now_s())
    assert (cellar.state, cellar.wait_s, cellar.scares) == (State.ARMED, 0.0, 0)
    assert cellar.text == "ARMED     Cellar door  0 scares, 0 refused"
    night.press()
    night.clock.sleep_s(2.0)
    night.press()
    night.clock.sleep_s(0.5)
    cellar, attic = board_of(night, titles).rows(night.clock.now_s())
    assert (cellar.state, cellar.scares, cellar.refusals) == (State.RESETTING, 1, 1)
    assert cellar.wait_s == pytest.approx(2.5)
    assert cellar.text.startswith("RESETTING Cellar door  ready in ")
    assert attic.state is State.ARMED
    board = board_of(night, titles)
    board.take(
        PressRefused(at_s=night.clock.now_s(), scene="Attic", state=State.RESETTING, wait_s=8.0, refusals=1)
    )
    assert board.rows(night.clock.now_s())[1].wait_s == pytest.approx(8.0)  # a hold-off
    night.clock.sleep_s(5.0)
    cellar, _ = board_of(night, titles).rows(night.clock.now_s())
    assert (cellar.state, cellar.wait_s) == (State.ARMED, 0.0)


def test_stopped_and_held_wait_for_the_operator() -> None:
    night = Simulation([plan()])
    night.show.put(lambda: night.show.stop_all("stopped"))
    night.clock.sleep_s(0.1)
    (row,) = board_of(night, ["Cellar door"]).rows(night.clock.now_s())
    assert (row.state, row.wait_s) == (State.STOPPED, None)


def test_trouble_is_shown_until_it_is_over() -> None:
    board = Board(["Cellar door"])
    board.take(Fault(at_s=1.0, what="the sound card is gone."))
    assert board.trouble == "the sound card is gone."
    board.take(Recovered(at_s=2.0, what="back"))
    assert board.trouble == ""
    board.take(Fault(at_s=3.0, scene="Cellar door", what="3 misfires in a row."))
    (row,) = board.rows(4.0)
    assert row.text.endswith("! 3 misfires in a row.")


@pytest.mark.parametrize(("wait_s", "text"), [(0.2, "1 s"), (1.0, "1 s"), (1.4, "2 s"), (29.996, "30 s")])
def test_a_wait_is_never_told_as_nothing_nor_too_short(wait_s: float, text: str) -> None:
    assert f"  ready in {text}  " in SceneRow(scene="Attic", wait_s=wait_s).text
    changed = StateChanged(at_s=0.0, before=State.PLAYING, after=State.RESETTING, wait_s=wait_s)
    assert changed.text == f"resetting, ready in {text}"


def test_a_refusal_tells_what_leads_back() -> None:
    told = PressRefused(at_s=0.0, state=State.HELD, wait_s=None, refusals=1, todo="Press 2 to arm it again.")
    assert told.text == "press refused: held. Press 2 to arm it again."
    soon = PressRefused(at_s=0.0, state=State.RESETTING, wait_s=0.01, refusals=1)
    assert soon.text == "press refused: resetting, ready in 0.1 s"
    stuck = PressRefused(at_s=0.0, state=State.RESETTING, wait_s=0.0, refusals=1)
    assert stuck.text == "press refused: resetting"


def test_the_rows_are_plain_json() -> None:
    night = Simulation([plan()])
    night.press()
    night.clock.sleep_s(1.0)
    read = json.loads(json.dumps(board_of(night, ["Cellar door"]).as_json(night.clock.now_s())))
    assert read["scenes"][0]["state"] == "resetting"
    assert read["scenes"][0]["scares"] == 1
    assert read["trouble"] == ""
