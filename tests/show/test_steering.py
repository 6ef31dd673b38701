"""The operator's contacts: stop all, also by a broken wire, and the two steps back."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cuesync.show.events import Fault, Note, StateChanged
from cuesync.show.states import State
from tests.show.plans import plan
from tests.show.simulation import Simulation

STOP = "gpio:17 nc"


def night_with(stop: str = STOP, closed: tuple[str, ...] = ()) -> Simulation:
    return Simulation([plan(sounds=())], quick=True, stop=(stop,), closed=closed)


def two_steps(night: Simulation) -> None:
    for key in ("key:1", "key:2"):
        night.press(key)
        night.clock.sleep_s(0.5)


@pytest.mark.parametrize("stop", [STOP, "midi:20"])
def test_a_stop_contact_stops_at_once_and_while_it_is_pressed_nothing_leads_back(stop: str) -> None:
    night = night_with(stop)
    night.contacts.edge(stop, True)
    night.clock.sleep_s(0.05)
    assert night.state() is State.STOPPED
    two_steps(night)
    assert night.state() is State.STOPPED
    assert "while a stop contact is pressed" in night.all(Note)[-1].text
    assert "Press 1, then 2" in night.all(Note)[-1].text
    night.contacts.edge(stop, False)
    night.clock.sleep_s(10.0)
    assert night.state() is State.STOPPED
    two_steps(night)
    assert night.state() is State.ARMED


def test_found_pressed_at_the_start_the_show_is_never_armed_before_both_steps() -> None:
    night = night_with(closed=(STOP,))
    night.clock.sleep_s(5.0)
    assert night.state() is State.STOPPED
    assert State.ARMED not in [event.after for event in night.all(StateChanged)]
    assert "was found pressed, or its wire is broken" in night.all(Note)[0].text
    night.press()
    night.clock.sleep_s(1.0)
    assert night.show.scares == 0
    night.contacts.edge(STOP, False)
    two_steps(night)
    assert night.state() is State.ARMED


def test_a_lost_source_stops_all_and_says_why() -> None:
    night = night_with()
    night.contacts.unplug()
    night.clock.sleep_s(0.5)
    assert night.state() is State.STOPPED
    (fault,) = night.all(Fault)
    assert "is gone. All is stopped, because pin 17 is a stop contact on it." in fault.text
    night.contacts.plug_in()
    night.clock.sleep_s(1.0)
    assert night.state() is State.STOPPED  # back, and released: still two steps
    two_steps(night)
    assert night.state() is State.ARMED


def test_a_lost_source_without_such_a_contact_stops_nothing_and_says_that() -> None:
    night = night_with("midi:20")
    night.contacts.unplug()
    night.clock.sleep_s(0.5)
    assert night.state() is State.ARMED
    (fault,) = night.all(Fault)
    assert "Nothing is stopped by MIDI note 20 until it is back." in fault.text


def test_a_stop_key_that_is_still_held_is_in_nobodys_way() -> None:
    night = night_with("key:enter")
    night.contacts.edge("key:enter", True)
    night.clock.sleep_s(0.05)
    assert night.state() is State.STOPPED
    two_steps(night)
    assert night.state() is State.ARMED


def test_keys_found_closed_lead_nowhere() -> None:
    night = night_with(closed=("key:1", "key:2", STOP))
    night.contacts.edge(STOP, False)
    night.clock.sleep_s(1.0)
    assert night.state() is State.STOPPED


@settings(max_examples=40)
@given(
    st.lists(
        st.sampled_from(["press", "release", "key:1", "key:2", "unplug", "plug in", "wait"]), max_size=12
    )
)
def test_armed_again_only_with_the_stop_contact_released_and_after_both_steps(doings: list[str]) -> None:
    night = night_with()
    pressed, plugged, steps = False, True, ["key:1", "key:2"]
    for doing in doings:
        match doing:
            case "press" | "release":
                pressed = doing == "press"
                night.contacts.edge(STOP, pressed)
            case "unplug":
                night.contacts.unplug()
                plugged = False
            case "plug in":
                night.contacts.plug_in()
                plugged = True
            case "key:1" | "key:2" if plugged:
                night.press(doing, hold_s=0.05)
                if not pressed:
                    steps.append(doing)
        night.clock.sleep_s(1.0)
        if pressed or not plugged:
            steps = []
        if night.state() is State.ARMED:
            assert plugged
            assert not pressed
            assert ("key:1", "key:2") in itertools.combinations(steps, 2)
        else:
            assert night.state() in (State.STOPPED, State.OFF)
