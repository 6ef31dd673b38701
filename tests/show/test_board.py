"""The operator's rows."""

from __future__ import annotations

import json

import pytest

from cuesync.show.board import FADES_AFTER_S, Board, SceneRow, in_one_line
from cuesync.show.events import ContactStuck, Fault, PressRefused, Recovered, StateChanged
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


def gone(at_s: float, name: str) -> Fault:
    return Fault(at_s=at_s, what=f"the {name} is gone.", about=name, lasting=True)


def back(at_s: float, name: str) -> Recovered:
    return Recovered(at_s=at_s, what=f"the {name} is back", about=name)


def shown(board: Board, now_s: float) -> str:
    return in_one_line(board.troubles(now_s))


def test_a_trouble_is_shown_until_it_is_over_itself() -> None:
    board = Board(["Cellar door"])
    assert shown(board, 0.0) == ""
    board.take(gone(1.0, "sound card"))
    board.take(gone(2.0, "MIDI port"))
    assert shown(board, 3.0) == "1 of 2: the sound card is gone."  # the oldest
    board.take(back(4.0, "MIDI port"))
    assert shown(board, 9000.0) == "the sound card is gone."
    board.take(back(9001.0, "sound card"))
    assert shown(board, 9001.0) == ""


def test_a_trouble_that_is_told_again_is_no_second_one() -> None:
    board = Board(["Cellar door"])
    board.take(gone(1.0, "MIDI port"))
    board.take(gone(2.0, "sound card"))
    board.take(Fault(at_s=3.0, what="the MIDI port fails.", about="MIDI port", lasting=True))
    assert [(one.text, one.since_s) for one in board.troubles(4.0)] == [
        ("the MIDI port fails.", 1.0),
        ("the sound card is gone.", 2.0),
    ]


def test_what_was_over_as_it_was_told_fades_and_hides_nothing() -> None:
    board = Board(["Cellar door"])
    for at_s in (1.0, 6.0):
        board.take(Fault(at_s=at_s, what=f"{at_s:.0f} ms lost.", about="lost sound"))
    assert shown(board, 7.0) == "6 ms lost."
    board.take(gone(8.0, "sound card"))
    board.take(Fault(at_s=9.0, what="too loud."))
    assert [one.text for one in board.troubles(10.0)] == [
        "the sound card is gone.",
        "too loud.",
        "6 ms lost.",
    ]
    assert shown(board, 10.0) == "1 of 3: the sound card is gone."
    assert shown(board, 5.999 + FADES_AFTER_S) == "1 of 3: the sound card is gone."
    assert shown(board, 6.0 + FADES_AFTER_S) == "1 of 2: the sound card is gone."
    assert shown(board, 9.0 + FADES_AFTER_S) == "the sound card is gone."
    assert shown(board, 8 * 3600.0) == "the sound card is gone."


def test_many_short_faults_of_all_kinds_are_not_kept_for_the_night() -> None:
    board = Board(["Cellar door"])
    for count in range(5000):
        board.take(Fault(at_s=float(count), what=f"fault number {count}."))
    assert len(board.troubles(5000.0)) == FADES_AFTER_S - 1
    assert len(board._troubles) <= FADES_AFTER_S


def test_a_scene_s_trouble_ends_as_it_is_armed_but_for_one_that_goes_on() -> None:
    board = Board(["Cellar door", "Attic"])
    board.take(Fault(at_s=3.0, scene="Cellar door", what="3 misfires in a row."))
    board.take(ContactStuck(at_s=4.0, scene="Attic", contact="key:f"))
    cellar, attic = board.rows(9000.0)
    assert cellar.trouble == "3 misfires in a row."
    assert "key:f is still closed" in attic.trouble
    gone_output = "gpio:22, which starts the prop, is gone."
    board.take(Fault(at_s=5.0, scene="Cellar door", what=gone_output, about="gpio:22", lasting=True))
    assert board.rows(9000.0)[0].trouble == "1 of 2: 3 misfires in a row."
    for title in ("Cellar door", "Attic"):
        board.take(StateChanged(at_s=6.0, scene=title, before=State.RESETTING, after=State.ARMED, wait_s=0.0))
    assert [row.trouble for row in board.rows(9000.0)] == [gone_output, ""]
    board.take(back(7.0, "gpio:22"))  # of no scene: something else
    assert board.rows(9000.0)[0].trouble == gone_output
    board.take(Recovered(at_s=8.0, scene="Cellar door", what="back", about="gpio:22"))
    assert board.rows(9000.0)[0].trouble == ""


def test_a_row_says_what_is_wrong_within_80_columns() -> None:
    """Before the numbers, which a narrow terminal cuts off."""
    row = SceneRow(
        scene="The crone behind the attic hatch",
        state=State.HELD,
        scares=123,
        refusals=45,
        misfires=6,
        offset_ms=12.0,
        trouble="1 of 2: 3 misfires in a row; the scene is held.",
    )
    assert row.text[:79].startswith(
        "HELD      The crone behind the attic hatch  ! 1 of 2: 3 misfires in a row"
    )


def test_other_programs_get_every_open_trouble() -> None:
    board = Board(["Cellar door"])
    board.take(gone(1.0, "sound card"))
    board.take(Fault(at_s=2.0, what="too loud."))
    board.take(Fault(at_s=3.0, scene="Cellar door", what="3 misfires in a row."))
    read = json.loads(json.dumps(board.as_json(11.0)))
    assert read["trouble"] == "1 of 2: the sound card is gone."
    assert read["troubles"] == [
        {"scene": "", "text": "the sound card is gone.", "for_s": 10.0, "over": False},
        {"scene": "", "text": "too loud.", "for_s": 9.0, "over": True},
        {"scene": "Cellar door", "text": "3 misfires in a row.", "for_s": 8.0, "over": False},
    ]


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
    assert read["troubles"] == []
