"""What contacts and props may ask for: hold-off, groups, a dead-man contact, a limit switch."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from cuesync.devices.simulated import SimulatedProp
from cuesync.errors import InputError
from cuesync.plan.plan import Plan
from cuesync.show.events import ContactStuck, Fault, PressRefused, StateChanged, Triggered
from cuesync.show.limit_switch import AWAY_S
from cuesync.show.live import Controls, _check_together
from cuesync.show.rehearsal import rehearse
from cuesync.show.states import TRANSITIONS, Limit, OnTime, SceneState, State, Step
from tests.show.plans import plan
from tests.show.simulation import Simulation

LIMIT = "gpio:5"


def test_a_motion_sensor_in_its_hold_off_is_not_even_refused() -> None:
    night = Simulation([replace(plan(sounds=(), reset_s=5.0), hold_off_s=8.0)], quick=True)
    first_s = night.press()
    for _ in range(7):
        night.clock.sleep_s(1.0)
        night.press()
    night.clock.sleep_s(0.9)
    assert (night.show.scares, night.show.refusals) == (1, 0)
    assert night.state() is State.RESETTING  # the prop has been ready for three seconds
    night.clock.sleep_s(0.2)
    assert night.all(StateChanged)[-1].after is State.ARMED
    assert night.all(StateChanged)[-1].at_s == pytest.approx(first_s + 8.0)


def test_a_refusal_makes_deaf_as_well_and_the_wait_says_so() -> None:
    night = Simulation([replace(plan(sounds=(), reset_s=5.0), hold_off_s=3.0)], quick=True)
    night.press()
    night.clock.sleep_s(4.0)
    night.press()
    (refused,) = _after(night, 0.1)
    assert refused.wait_s == pytest.approx(3.0)
    night.clock.sleep_s(2.8)
    assert night.state() is State.RESETTING
    night.clock.sleep_s(0.2)
    assert night.state() is State.ARMED


def _after(night: Simulation, wait_s: float) -> list[PressRefused]:
    night.clock.sleep_s(wait_s)
    return night.all(PressRefused)


def test_groups_lie_apart_even_where_the_prop_is_ready_sooner() -> None:
    night = Simulation([replace(plan(sounds=(), reset_s=5.0), between_groups_s=60.0)], quick=True)
    night.press()
    night.clock.sleep_s(20.0)
    night.press()
    (refused,) = _after(night, 0.1)
    assert refused.text == "press refused: resetting, ready in 40.0 s"
    night.clock.sleep_s(40.0)
    assert night.state() is State.ARMED


def test_without_the_dead_man_contact_a_press_is_refused_with_a_sentence() -> None:
    night = Simulation([replace(plan(sounds=(), reset_s=5.0), enable_contact="midi:20")], quick=True)
    night.press()
    (refused,) = _after(night, 1.0)
    assert refused.text == (
        "press refused: armed. A press counts only while MIDI note 20 is held; hold it and press again."
    )
    night.contacts.edge("midi:20", True)
    night.clock.sleep_s(0.1)
    night.press()
    night.clock.sleep_s(7.0)
    assert night.show.scares == 1
    night.contacts.edge("midi:20", False)
    night.clock.sleep_s(0.1)
    night.press()
    night.clock.sleep_s(1.0)
    assert (night.show.scares, night.show.refusals) == (1, 2)


def test_a_dead_man_contact_that_is_found_closed_or_lost_counts_as_let_go() -> None:
    night = Simulation(
        [replace(plan(sounds=(), reset_s=2.0), enable_contact="midi:20")], quick=True, closed=("midi:20",)
    )
    night.press()
    night.clock.sleep_s(1.0)
    assert night.show.scares == 0
    for closed in (False, True):
        night.contacts.edge("midi:20", closed)
    night.clock.sleep_s(0.1)
    night.contacts.unplug()
    night.clock.sleep_s(1.0)
    night.contacts.plug_in()
    night.clock.sleep_s(1.0)
    night.press()
    night.clock.sleep_s(1.0)
    assert night.show.scares == 0


def test_a_dead_man_refusal_with_a_hold_off_leaves_the_scene_waiting_not_armed() -> None:
    scene = replace(plan(sounds=(), reset_s=2.0), enable_contact="midi:20", hold_off_s=4.0)
    night = Simulation([scene], quick=True)
    night.press()
    night.clock.sleep_s(1.0)
    assert night.state() is State.RESETTING
    assert night.all(StateChanged)[-1].text == "resetting, ready in 4 s"
    assert night.all(ContactStuck) == []
    night.clock.sleep_s(3.1)
    assert night.state() is State.ARMED


# -- the limit switch


def limited(**changes: float) -> Plan:
    return replace(
        plan(sounds=(), reset_s=5.0, delay_s=0.6, pops_s=(0.55, 0.65)),
        limit_contact=LIMIT,
        limit_margin_s=2.0,
        **changes,  # type: ignore[arg-type]
    )


def night_with_limit(**changes: float) -> Simulation:
    return Simulation([limited(**changes)], quick=True, closed=(LIMIT,))


def test_the_reset_ends_when_the_limit_switch_closes_sooner_or_later_than_reckoned() -> None:
    for back_s in (2.0, 6.5):
        night = night_with_limit()
        trigger_s = night.press()
        night.contacts.edge(LIMIT, False, trigger_s + 0.3)
        night.contacts.edge(LIMIT, True, trigger_s + back_s)
        night.clock.sleep_s(10.0)
        last = night.all(StateChanged)[-1]
        assert last.after is State.ARMED
        assert last.at_s == pytest.approx(trigger_s + back_s)


def test_a_limit_switch_that_shakes_while_the_spring_is_wound_ends_nothing() -> None:
    night = night_with_limit()
    trigger_s = night.press()
    for at_s, closed in ((0.1, False), (0.2, True), (0.3, False), (0.62, True), (0.64, False), (3.0, True)):
        night.contacts.edge(LIMIT, closed, trigger_s + at_s)
    night.clock.sleep_s(2.9)
    assert night.state() is State.RESETTING
    night.clock.sleep_s(0.2)
    assert night.state() is State.ARMED


@pytest.mark.parametrize("leaves", [True, False])
def test_a_prop_that_does_not_come_back_or_never_left_holds_the_scene(leaves: bool) -> None:
    night = night_with_limit()
    trigger_s = night.press()
    if leaves:
        night.contacts.edge(LIMIT, False, trigger_s + 0.3)
    night.clock.sleep_s(6.9)
    assert night.state() is State.RESETTING
    night.clock.sleep_s(0.2)
    assert night.state() is State.HELD
    (fault,) = night.all(Fault)
    assert "has not told within 7 s that the prop is back" in fault.text
    assert "Cut its power before you reach in." in fault.text
    if leaves:
        night.show.put(night.show.arm)
        night.clock.sleep_s(8.0)
        assert night.state() is State.HELD  # still not back
        night.contacts.edge(LIMIT, True)
    night.clock.sleep_s(0.1)
    night.show.put(night.show.arm)
    night.clock.sleep_s(0.1)
    assert night.state() is State.ARMED


def test_a_limit_switch_found_closed_after_its_device_was_gone_does_not_end_the_reset() -> None:
    night = night_with_limit()
    night.press()
    night.clock.sleep_s(1.0)
    night.contacts.unplug()
    night.clock.sleep_s(1.0)
    night.contacts.plug_in()  # the switch is closed as at the start: nobody saw the prop leave
    night.clock.sleep_s(4.0)
    assert night.state() is State.RESETTING
    night.clock.sleep_s(2.0)
    assert night.state() is State.HELD


def test_a_prop_that_does_not_stand_reset_at_the_start_is_waited_for() -> None:
    night = Simulation([limited()], quick=True)
    assert night.state() is State.RESETTING
    night.contacts.edge(LIMIT, True)
    night.clock.sleep_s(0.1)
    assert night.state() is State.ARMED


def test_a_stop_in_the_cue_does_not_make_the_prop_stand_reset() -> None:
    night = night_with_limit()
    trigger_s = night.press()
    night.clock.sleep_s(0.2)
    for doing in (lambda: night.show.stop_all("stopped"), night.show.acknowledge, night.show.arm):
        night.show.put(doing)
        night.clock.sleep_s(0.05)
    assert night.state() is State.RESETTING  # the switch is closed, but the spring is being wound
    night.contacts.edge(LIMIT, False, trigger_s + 0.5)
    night.contacts.edge(LIMIT, True, trigger_s + 3.0)
    night.clock.sleep_s(3.0)
    assert night.state() is State.ARMED


def test_a_rehearsal_plays_contacts_with_habits_and_a_prop_with_a_limit_switch() -> None:
    scene = replace(limited(), enable_contact="midi:20", between_groups_s=9.0, hold_off_s=7.0)
    assert len(rehearse(scene, presses=5).scares) == 5


def test_the_simulated_prop_moves_its_limit_switch() -> None:
    night = night_with_limit()
    SimulatedProp(night.contacts, "key:space", draw_delay_s=lambda: 0.6, reset_s=3.0, limit_contact=LIMIT)
    for _ in range(3):
        night.press()
        night.clock.sleep_s(3.1)
    assert len(night.all(Triggered)) == 3


@pytest.mark.parametrize("contact", ["contact", "pop_contact", "enable_contact", "limit_contact"])
def test_no_contact_of_a_scene_may_steer_the_show(contact: str) -> None:
    scene = replace(plan(contact="midi:1"), **{contact: "gpio:17"})  # type: ignore[arg-type]
    with pytest.raises(InputError, match="gpio:17, which steers the whole show"):
        _check_together([scene], Controls(stop=("gpio:17 nc",)))


class Habits(RuleBasedStateMachine):
    """Any order of presses, limit edges, dead-man and operator, with everything switched on.

    The output starts the prop 0.4 s after the trigger and may be on for 6 s.
    """

    def __init__(self) -> None:
        super().__init__()
        self.scene = SceneState(
            cue_length_s=2.0,
            reset_s=10.0,
            debounce_s=0.03,
            hold_off_s=4.0,
            between_groups_s=15.0,
            needs_enabling=True,
            limit=Limit(pop_by_s=0.7, jam_s=self.JAM_S),
            on_time=OnTime(start_s=0.4, max_on_s=6.0),
        )
        self.now_s = 100.0
        self.taken_s: list[float] = []
        self.heard_s = -math.inf
        self.at_limit: bool | None = None
        self.opened_s = -math.inf
        self.closings_s: list[float] = []
        self.cut = False

    JAM_S = 13.0

    @rule(gap_s=st.floats(0.0, 20.0))
    def wait(self, gap_s: float) -> None:
        end_s = self.now_s + gap_s
        while self.now_s < end_s:  # in steps, so that the output is looked at in between
            self.now_s = min(end_s, self.now_s + 0.7)
            for change in self.scene.advance(self.now_s):
                assert TRANSITIONS[change.before, change.step] is change.after
            self.look_at_output()

    def look_at_output(self) -> None:
        """Against what is known from outside alone: presses that were taken, and what has cut since.

        Whatever the prop has done until then, it is not driven on once its limit switch has closed.
        """
        trigger_s = self.taken_s[-1] if self.taken_s else -math.inf
        closed_s = [at_s for at_s in self.closings_s if at_s >= trigger_s + 0.4]
        until_s = min([trigger_s + min(0.4 + 6.0, self.JAM_S), *closed_s])
        wanted = trigger_s + 0.4 <= self.now_s < until_s and not self.cut
        assert (self.scene.output_from_s <= self.now_s < self.scene.output_until_s) == wanted
        if wanted:
            assert self.scene.state in (State.PLAYING, State.RESETTING)

    @rule(gap_s=st.floats(0.0, 1.0), closed=st.booleans(), found=st.booleans())
    def limit(self, gap_s: float, closed: bool, found: bool) -> None:
        self.wait(gap_s)
        if closed and not found and self.at_limit is False and self.now_s - self.opened_s >= AWAY_S:
            self.closings_s.append(self.now_s)
        if found and self.at_limit is not None:
            self.cut = True
        if not closed and self.at_limit is not False:
            self.opened_s = self.now_s
        self.at_limit = closed
        before = self.scene.state
        change = self.scene.limit_edge(closed, self.now_s, found=found)
        if change is not None:
            assert before in (State.PLAYING, State.RESETTING)
            assert self.scene.state is State.HELD

    @rule(held=st.booleans())
    def dead_man(self, held: bool) -> None:
        self.scene.enabled = held

    @rule(gap_s=st.floats(0.0, 1.0), closed=st.booleans())
    def edge(self, gap_s: float, closed: bool) -> None:
        self.wait(gap_s)
        before = self.scene.state
        press = self.scene.edge(closed, self.now_s)
        if press is None:
            return
        there = self.at_limit is not False
        assert press.taken == (before is State.ARMED and self.scene.enabled and there)
        assert press.not_enabled == (before is State.ARMED and not self.scene.enabled)
        assert press.not_at_limit == (before is State.ARMED and not there)
        assert self.now_s - self.heard_s >= 4.0
        self.heard_s = self.now_s
        assert self.scene.state is not State.ARMED
        if press.taken:
            self.taken_s.append(self.now_s)
            self.cut = False

    @rule(step=st.sampled_from([Step.ARM, Step.HOLD, Step.STOP, Step.ACKNOWLEDGE]))
    def operator(self, step: Step) -> None:
        change = self.scene.step(step, self.now_s)
        if change is not None and change.after in (State.OFF, State.HELD, State.STOPPED):
            self.cut = True
        self.wait(0.0)

    @rule()
    def press_after_all_is_well(self) -> None:
        """Whatever was before: prop back, contact open, operator at hand; then a press is taken."""
        self.wait(30.0)
        self.scene.edge(False, self.now_s)
        self.limit(0.1, False, False)
        self.limit(0.1, True, False)
        for step in (Step.STOP, Step.ACKNOWLEDGE, Step.ARM):
            self.operator(step)
        self.wait(5.0)
        assert self.scene.state is State.ARMED
        self.scene.enabled = True
        self.edge(0.0, True)
        assert self.taken_s[-1] == self.now_s

    @invariant()
    def output_is_on_only_where_it_may_be(self) -> None:
        self.look_at_output()

    @invariant()
    def groups_lie_apart(self) -> None:
        pairs = zip(self.taken_s, self.taken_s[1:], strict=False)
        assert all(later - earlier >= 15.0 for earlier, later in pairs)

    @invariant()
    def never_waits_for_ever_for_a_limit_switch(self) -> None:
        if self.scene.state is State.RESETTING and not self.scene.contact.closed:
            assert self.scene.next_s() < math.inf


class HabitsWithJams(Habits):
    """The same prop, taken for jammed while its cue still plays."""

    JAM_S = 1.5


Habits.TestCase.settings = settings(max_examples=150, stateful_step_count=50)
TestHabits = Habits.TestCase
HabitsWithJams.TestCase.settings = Habits.TestCase.settings
TestHabitsWithJams = HabitsWithJams.TestCase
