"""The states of a scene, walked at random, and the contact that drives them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from cuesync.show.states import TRANSITIONS, Contact, SceneState, State, Step

CUE_LENGTH_S, RESET_S, DEBOUNCE_S = 2.0, 30.0, 0.030


def state_of(scene: SceneState) -> State:
    return scene.state


def armed_scene() -> SceneState:
    scene = SceneState(cue_length_s=CUE_LENGTH_S, reset_s=RESET_S, debounce_s=DEBOUNCE_S)
    scene.step(Step.ARM, 0.0)
    scene.advance(0.0)
    assert scene.state is State.ARMED
    return scene


def test_the_first_edge_is_the_trigger_and_bounce_adds_nothing() -> None:
    # J. Ganssle, "A Guide to Debouncing": bounce of 1557 µs on average, 6200 µs at worst.
    scene = armed_scene()
    presses = [scene.edge(closed, at_s) for closed, at_s in ((True, 10.0), (False, 10.0006), (True, 10.0062))]
    assert presses[0] is not None
    assert presses[0].taken
    assert presses[0].at_s == 10.0
    assert presses[1:] == [None, None]
    assert (scene.triggers, scene.refusals, scene.contact.bounces) == (1, 0, 1)


def test_a_press_in_the_lockout_is_refused_with_the_seconds_left() -> None:
    scene = armed_scene()
    scene.edge(True, 10.0)
    scene.edge(False, 10.2)
    scene.advance(15.0)
    press = scene.edge(True, 15.0)
    assert press is not None
    assert not press.taken
    assert press.state is State.RESETTING
    assert press.wait_s == pytest.approx(25.0)
    assert scene.refusals == 1


def test_a_contact_that_stays_closed_does_not_trigger_again() -> None:
    scene = armed_scene()
    scene.edge(True, 10.0)
    scene.advance(3600.0)
    assert state_of(scene) is State.RESETTING
    assert scene.stuck
    assert scene.edge(True, 3600.0) is None
    scene.edge(False, 3601.0)
    scene.advance(3601.0 + DEBOUNCE_S / 2)
    assert state_of(scene) is State.RESETTING
    scene.advance(3601.0 + DEBOUNCE_S)
    assert state_of(scene) is State.ARMED


def test_debounce_only_delays_the_re_arm() -> None:
    scene = armed_scene()
    scene.edge(True, 10.0)
    scene.edge(False, 39.99)
    changes = scene.advance(50.0)
    assert [change.after for change in changes] == [State.RESETTING, State.ARMED]
    assert changes[-1].at_s == pytest.approx(39.99 + DEBOUNCE_S)


def test_a_cue_longer_than_the_reset_locks_out_to_its_end() -> None:
    scene = SceneState(cue_length_s=9.0, reset_s=4.0, debounce_s=DEBOUNCE_S)
    scene.step(Step.ARM, 0.0)
    scene.advance(0.0)
    scene.edge(True, 1.0)
    scene.edge(False, 1.1)
    scene.advance(9.9)
    assert state_of(scene) is State.PLAYING
    scene.advance(10.0)
    assert state_of(scene) is State.ARMED


def test_a_press_stamped_before_the_arming_is_refused() -> None:
    scene = armed_scene()
    scene.edge(True, 10.0)
    scene.edge(False, 10.1)
    scene.advance(40.0)
    press = scene.edge(True, 39.9)
    assert press is not None
    assert not press.taken


def test_after_a_stop_two_steps_lead_back() -> None:
    scene = armed_scene()
    scene.step(Step.STOP, 1.0)
    assert scene.step(Step.ARM, 2.0) is None
    assert state_of(scene) is State.STOPPED
    scene.step(Step.ACKNOWLEDGE, 3.0)
    scene.advance(100.0)
    assert state_of(scene) is State.OFF
    scene.step(Step.ARM, 4.0)
    scene.advance(4.0)
    assert state_of(scene) is State.ARMED


def test_a_stop_in_the_cue_keeps_the_lockout() -> None:
    scene = armed_scene()
    scene.edge(True, 10.0)
    scene.edge(False, 10.1)
    for step in (Step.STOP, Step.ACKNOWLEDGE, Step.ARM):
        scene.step(step, 11.0)
    scene.advance(39.0)
    assert state_of(scene) is State.RESETTING
    scene.advance(40.0)
    assert state_of(scene) is State.ARMED


def test_from_stopped_only_the_acknowledgement_leads_on() -> None:
    assert [step for state, step in TRANSITIONS if state is State.STOPPED] == [Step.ACKNOWLEDGE]
    assert TRANSITIONS[State.STOPPED, Step.ACKNOWLEDGE] is State.OFF


def test_a_contact_found_closed_is_no_press_and_must_open_first() -> None:
    scene = armed_scene()
    change = scene.found(True, 10.0)
    assert change is not None
    assert (change.before, change.after) == (State.ARMED, State.RESETTING)
    assert scene.stuck
    assert scene.edge(True, 10.1) is None
    scene.edge(False, 11.0)
    scene.advance(12.0)
    assert state_of(scene) is State.ARMED
    assert (scene.triggers, scene.refusals) == (0, 0)


def test_a_contact_found_as_it_was_changes_nothing() -> None:
    scene = armed_scene()
    assert scene.found(False, 10.0) is None
    scene.edge(True, 10.0)
    assert scene.found(True, 10.01) is None
    assert state_of(scene) is State.PLAYING


@given(st.lists(st.tuples(st.booleans(), st.floats(0.0, 0.2)), max_size=60))
def test_between_two_presses_the_contact_was_open_for_the_debounce(edges: list[tuple[bool, float]]) -> None:
    contact = Contact(DEBOUNCE_S)
    at_s, opened_s, is_closed = 0.0, -math.inf, False
    for closed, gap_s in edges:
        at_s += gap_s
        press = contact.edge(closed, at_s)
        if press:
            assert closed
            assert not is_closed
            assert at_s - opened_s >= DEBOUNCE_S
        if not closed and is_closed:
            opened_s = at_s
        is_closed = closed


class Night(RuleBasedStateMachine):
    """Any order of presses, releases, holds, stops and waiting."""

    def __init__(self) -> None:
        super().__init__()
        self.scene = SceneState(cue_length_s=CUE_LENGTH_S, reset_s=RESET_S, debounce_s=DEBOUNCE_S)
        self.now_s = 100.0
        self.taken_s: list[float] = []
        self.presses = 0
        self.steps_since_stop: list[Step] = []
        self.stopped_once = False

    @rule(gap_s=st.floats(0.0, 40.0))
    def wait(self, gap_s: float) -> None:
        self.now_s += gap_s
        self.scene.advance(self.now_s)

    @rule(gap_s=st.floats(0.0, 0.1), closed=st.booleans())
    def edge(self, gap_s: float, closed: bool) -> None:
        self.wait(gap_s)
        before = self.scene.state
        press = self.scene.edge(closed, self.now_s)
        if press is None:
            assert self.scene.state is before
            return
        self.presses += 1
        assert press.taken == (before is State.ARMED)
        if press.taken:
            self.taken_s.append(self.now_s)
        elif press.wait_s is not None:
            assert press.wait_s > 0.0 or self.scene.contact.closed

    @rule(gap_s=st.floats(0.0, 1.0), closed=st.booleans())
    def found(self, gap_s: float, closed: bool) -> None:
        self.wait(gap_s)
        before, counts = self.scene.state, (self.scene.triggers, self.scene.refusals)
        change = self.scene.found(closed, self.now_s)
        assert (self.scene.triggers, self.scene.refusals) == counts
        assert self.scene.contact.closed == closed
        assert (change is not None) == (before is State.ARMED and closed)
        assert self.scene.state is (State.RESETTING if change else before)

    @rule(step=st.sampled_from([Step.ARM, Step.HOLD, Step.STOP, Step.ACKNOWLEDGE]))
    def operator(self, step: Step) -> None:
        before = self.scene.state
        change = self.scene.step(step, self.now_s)
        assert (change is not None) == ((before, step) in TRANSITIONS)
        if step is Step.STOP:
            self.stopped_once = True
            self.steps_since_stop = []
        elif change is not None:
            self.steps_since_stop.append(step)
        self.scene.advance(self.now_s)

    @precondition(lambda self: self.scene.state is State.RESETTING and not self.scene.contact.closed)
    @rule()
    def patience_always_arms(self) -> None:
        self.now_s = max(self.now_s, self.scene.next_s())
        self.scene.advance(self.now_s)
        assert self.scene.state is State.ARMED

    @invariant()
    def triggers_keep_the_reset_apart(self) -> None:
        assert all(
            later - earlier >= RESET_S for earlier, later in zip(self.taken_s, self.taken_s[1:], strict=False)
        )

    @invariant()
    def every_press_is_counted_once(self) -> None:
        assert self.scene.triggers + self.scene.refusals == self.presses
        assert self.scene.triggers == len(self.taken_s)

    @invariant()
    def stopped_stays_stopped_without_both_steps(self) -> None:
        if self.stopped_once and self.scene.state in (State.ARMED, State.PLAYING):
            assert Step.ACKNOWLEDGE in self.steps_since_stop
            assert Step.ARM in self.steps_since_stop


Night.TestCase.settings = settings(max_examples=200, stateful_step_count=60)
TestNight = Night.TestCase
