"""Props that cuesync starts: when their output goes on, and everything that switches it off."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Hashable
from dataclasses import replace

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from cuesync.devices.ports import ContactEdge
from cuesync.devices.simulated import SimulatedProp
from cuesync.errors import DeviceError, InputError
from cuesync.plan.plan import Plan, PlannedDrive, PlannedLight
from cuesync.show.board import Board
from cuesync.show.events import Fault, PressRefused, PropSwitched, Recovered, ScareDone
from cuesync.show.live import Controls, _check_together
from cuesync.show.rehearsal import rehearse
from cuesync.show.states import State
from tests.show.plans import light, plan
from tests.show.simulation import Simulation

LIMIT = "gpio:5"
TITLE = "Cellar door"
START_S, MAX_ON_S, RESET_S = 0.3, 4.0, 5.0


def driven(**changes: object) -> Plan:
    """The prop starts 300 ms after the trigger, pops 300 ms later, and is back after 3 s."""
    drive = PlannedDrive(
        output="gpio:22", start_s=START_S, latest_start_s=START_S, delay_s=0.0, max_on_s=MAX_ON_S
    )
    scene = replace(plan(sounds=(), reset_s=RESET_S, delay_s=0.6), drive=drive)
    return replace(scene, **changes)  # type: ignore[arg-type]


def limited(**changes: object) -> Plan:
    return driven(limit_contact=LIMIT, limit_margin_s=2.0, **changes)


class Stage(Simulation):
    """A night of one such scene; with `prop` it moves when it is started, and is back after `back_s`."""

    def __init__(
        self,
        scene: Plan,
        *others: Plan,
        prop: bool = True,
        delay_s: float = 0.3,
        back_s: float = 2.7,
        **changes: object,
    ) -> None:
        super().__init__([scene, *others], quick=True, closed=(LIMIT,), **changes)  # type: ignore[arg-type]
        self.output = self.outputs[TITLE]
        if prop:
            SimulatedProp(
                self.contacts,
                "",
                draw_delay_s=lambda: delay_s,
                reset_s=back_s,
                limit_contact=scene.limit_contact,
                output=self.output,
            )

    def switched(self, since_s: float) -> list[tuple[float, bool]]:
        return [(round(at_s - since_s, 6), on) for at_s, on in self.output.switched]

    def why(self) -> str:
        return self.all(PropSwitched)[-1].why

    def hang(self) -> None:
        """The show's thread does nothing any more."""
        self.clock._workers.remove(self.show)

    def do(self, doing: Callable[[], None]) -> None:
        self.show.put(doing)
        self.clock.sleep_s(0.01)


def test_a_press_starts_the_prop_when_planned_and_its_limit_switch_stops_it() -> None:
    night = Stage(limited())
    trigger_s = night.press()
    night.clock.sleep_s(10.0)
    assert night.switched(trigger_s) == [(START_S, True), (START_S + 2.7, False)]
    assert [str(event) for event in night.all(PropSwitched)] == [
        "Cellar door: gpio:22 on, the prop starts",
        "Cellar door: gpio:22 off after 2.70 s: the limit switch closed",
    ]
    assert night.state() is State.ARMED
    night.press()
    night.clock.sleep_s(10.0)
    assert len(night.output.switched) == 4


def test_without_a_limit_switch_its_longest_time_stops_it_and_only_then_it_is_ready() -> None:
    night = Stage(driven(reset_s=1.0))
    trigger_s = night.press()
    night.clock.sleep_s(START_S + MAX_ON_S - 0.1)
    assert night.state() is State.RESETTING
    night.press()
    night.clock.sleep_s(0.2)
    assert night.switched(trigger_s) == [(START_S, True), (START_S + MAX_ON_S, False)]
    assert night.why() == "its longest time is over"
    assert night.show.scares == 1


def test_a_jam_cuts_the_output_and_holds_the_scene() -> None:
    """The switch never closes: cut 7 s after the trigger, though the output may be on for longer."""
    scene = limited()
    assert scene.drive is not None
    night = Stage(replace(scene, drive=replace(scene.drive, max_on_s=60.0)), prop=False)
    trigger_s = night.press()
    night.contacts.edge(LIMIT, False, trigger_s + 0.5)
    night.clock.sleep_s(6.9)
    assert night.output.is_on
    night.clock.sleep_s(0.2)
    assert night.switched(trigger_s) == [(START_S, True), (7.0, False)]
    assert night.why() == "the limit switch has not closed in its time"
    assert night.state() is State.HELD
    assert any("may be jammed" in fault.text for fault in night.all(Fault))
    night.press()
    night.clock.sleep_s(60.0)
    assert len(night.output.switched) == 2
    night.do(night.show.arm)
    night.clock.sleep_s(60.0)
    assert len(night.output.switched) == 2  # it is not brought home either


@pytest.mark.parametrize("at_s", [0.1, 1.0])
def test_what_stops_a_scene_stops_its_prop_or_never_starts_it(at_s: float) -> None:
    """At 0.1 s the prop has not started yet."""
    for doing, why in (
        ("stop_all", "all is stopped"),
        ("hold", "the scene is held"),
        ("fail", "the scene is held"),
    ):
        night = Stage(limited())
        trigger_s = night.press()
        night.clock.sleep_s(at_s)
        if doing == "stop_all":
            night.do(lambda night=night: night.show.stop_all("stopped"))  # type: ignore[misc]
        elif doing == "hold":
            night.do(lambda night=night: night.show.hold(TITLE))  # type: ignore[misc]
        else:
            fail_inside(night)
        night.clock.sleep_s(20.0)
        on = [(START_S, True), (at_s, False)] if at_s > START_S else []
        assert night.switched(trigger_s) == on
        assert night.why() == why
        assert night.state() in (State.STOPPED, State.HELD)


def fail_inside(night: Stage) -> None:
    """An exception in the scene's own code, as a mistake in cuesync would be."""
    scene = night.show._scenes[0]

    def broken(now_s: float) -> tuple[()]:
        raise RuntimeError(now_s)

    scene.state.advance = broken  # type: ignore[method-assign]
    night.contacts.edge("key:space", True)
    night.clock.sleep_s(0.0)
    del scene.state.advance


@pytest.mark.parametrize(("contact", "closed"), [("gpio:9", True), ("gpio:7", False)])
def test_stop_and_dead_man_contact_cut_the_output_even_where_the_show_hangs(
    contact: str, closed: bool
) -> None:
    night = Stage(limited(enable_contact="gpio:7"), stop=("gpio:9",))
    night.contacts.edge("gpio:7", True)
    night.clock.sleep_s(0.1)
    trigger_s = night.press()
    night.clock.sleep_s(1.0)
    night.hang()
    night.contacts.edge(contact, closed)
    night.clock.sleep_s(10.0)
    assert night.switched(trigger_s) == [(START_S, True), (1.0, False)]


# -- what the limit switch cuts


def test_a_light_that_blocks_lets_no_motor_run_past_its_limit_switch() -> None:
    """Another scene's flash is on its way to a dead network as the prop comes back: the show waits for it."""
    night = Stage(limited(), plan(title="Attic", contact="key:a", sounds=(), lights=(light(0.0),)))
    play = night.show.lights.play

    def blocking(tag: Hashable, planned: PlannedLight, zero_s: float) -> None:
        night.hang()
        night.clock.sleep_s(0.5)
        night.clock.attend(night.show)
        play(tag, planned, zero_s)

    night.show.lights.play = blocking  # type: ignore[method-assign]
    trigger_s = night.press()
    night.clock.sleep_s(START_S + 2.7 - 0.1)
    night.press("key:a")
    night.clock.sleep_s(10.0)
    assert night.switched(trigger_s) == [(START_S, True), (START_S + 2.7, False)]
    assert [str(event) for event in night.all(PropSwitched)][1:] == [
        "Cellar door: gpio:22 off after 2.70 s: the limit switch closed"
    ]
    assert night.show.scares == 2
    assert night.state() is State.ARMED


def test_a_limit_switch_cuts_its_own_prop_alone() -> None:
    other = driven(title="Attic", contact="key:a", limit_contact="gpio:6", limit_margin_s=2.0)
    assert other.drive is not None
    night = Stage(limited(), replace(other, drive=replace(other.drive, output="gpio:23")))
    night.contacts.edge("gpio:6", True)
    night.clock.sleep_s(0.1)
    trigger_s = night.press("key:a")
    night.press()
    night.clock.sleep_s(1.0)
    night.hang()
    night.clock.sleep_s(10.0)
    assert night.switched(trigger_s) == [(START_S, True), (START_S + 2.7, False)]
    attic = [round(at_s - trigger_s, 6) for at_s, _ in night.outputs["Attic"].switched]
    assert attic == [START_S, START_S + MAX_ON_S]


@pytest.mark.parametrize("hangs", [False, True])
def test_the_limit_switch_bounces_as_the_prop_leaves_and_that_cuts_nothing(hangs: bool) -> None:
    """J. Ganssle, "A Guide to Debouncing": 6200 µs of bounce at worst. Here ten of its openings and closings
    on the way out, and as many on the way back, where the first of them cuts."""
    night = Stage(limited(), prop=False)
    trigger_s = night.press()
    night.clock.sleep_s(0.2)
    if hangs:
        night.hang()
    for change_s, closed in ((0.32, False), (2.0, True)):
        for turn in range(11):
            night.contacts.edge(LIMIT, closed == (turn % 2 == 0), trigger_s + change_s + turn * 0.00062)
    night.clock.sleep_s(10.0)
    assert night.switched(trigger_s) == [(START_S, True), (2.0, False)]
    assert hangs or night.state() is State.ARMED


@pytest.mark.parametrize("hangs", [False, True])
def test_a_prop_that_is_back_before_its_latest_pop_is_driven_no_further(hangs: bool) -> None:
    """It pops 100 ms after its start and is back after 200 ms, where the plan has the pop after 300 ms."""
    night = Stage(limited(), delay_s=0.1, back_s=0.2)
    trigger_s = night.press()
    night.clock.sleep_s(0.4)
    if hangs:
        night.hang()
    night.clock.sleep_s(0.2)
    assert night.switched(trigger_s) == [(START_S, True), (START_S + 0.2, False)]
    if hangs:
        night.clock.attend(night.show)
        night.clock.sleep_s(0.1)
    assert night.why() == "the limit switch closed before the pop was due"
    assert night.state() is State.HELD  # nobody knows how far it has come
    (fault,) = night.all(Fault)
    assert fault.text.startswith(
        "the limit switch gpio:5 closed while the prop was driven, before its pop was due. The prop is cut, "
        "and the scene held. Cut its power before you reach in. Nothing but the prop at rest may close the "
        "switch; if it was back already, measure it again."
    )
    night.press()
    night.clock.sleep_s(20.0)
    assert len(night.output.switched) == 2
    night.do(night.show.arm)
    night.clock.sleep_s(0.1)
    assert night.state() is State.ARMED  # it stands at its switch


def test_a_prop_that_was_only_pushed_may_come_back_before_its_latest_pop() -> None:
    """The output is on for 50 ms, and nothing drives the prop as its switch closes."""
    scene = limited()
    assert scene.drive is not None
    night = Stage(replace(scene, drive=replace(scene.drive, max_on_s=0.05)), delay_s=0.04, back_s=0.2)
    trigger_s = night.press()
    night.clock.sleep_s(2.0)
    assert night.switched(trigger_s) == [(START_S, True), (START_S + 0.05, False)]
    assert night.all(Fault) == []


@pytest.mark.parametrize("hangs", [False, True])
def test_a_prop_that_leaves_its_limit_switch_while_it_waits_is_not_started(hangs: bool) -> None:
    """Somebody has a hand on it; or its switch is lost."""
    for found in (False, True):
        night = Stage(limited(), prop=False)
        night.press()
        night.clock.sleep_s(0.1)
        if hangs:
            night.hang()
        night.show.put(ContactEdge(contact=LIMIT, closed=False, at_s=night.clock.now_s(), found=found))
        night.clock.sleep_s(20.0)
        assert night.output.switched == []
        if not hangs:
            assert night.state() is State.HELD
            said = [str(event) for event in night.said]
            assert any("its limit switch does not tell that it is reset" in text for text in said) != found
            assert any("stays off: the limit switch was out of sight" in text for text in said) == found


def test_a_touch_while_it_waits_keeps_no_prop_from_its_start() -> None:
    night = Stage(limited())
    trigger_s = night.press()
    night.contacts.edge(LIMIT, False, trigger_s + 0.1)
    night.contacts.edge(LIMIT, True, trigger_s + 0.2)
    night.clock.sleep_s(10.0)
    assert night.switched(trigger_s) == [(START_S, True), (START_S + 2.7, False)]
    assert night.state() is State.ARMED


def test_a_press_that_waited_behind_a_stop_starts_nothing() -> None:
    """The show is busy as the press comes, then the stop: it cuts at once, and the press is done first."""
    night = Stage(limited(), stop=("gpio:9",))
    night.hang()
    night.press()
    night.clock.sleep_s(0.2)
    night.contacts.edge("gpio:9", True)
    night.clock.sleep_s(0.0)
    stop = night.show._inbox.pop()
    night.show.work(night.clock.now_s())  # the press, and then it hangs
    night.clock.sleep_s(10.0)
    assert night.show.scares == 1
    assert night.output.switched == []
    night.show.put(stop)
    night.show.work(night.clock.now_s())
    assert night.state() is State.STOPPED


def test_a_hung_show_drops_the_prop_after_its_longest_time() -> None:
    night = Stage(limited(), prop=False)
    trigger_s = night.press()
    night.clock.sleep_s(1.0)
    night.hang()
    night.clock.sleep_s(60.0)
    assert night.switched(trigger_s) == [(START_S, True), (START_S + MAX_ON_S, False)]


def test_the_dead_man_contact_cuts_the_output_when_it_is_let_go() -> None:
    night = Stage(limited(enable_contact="gpio:7"))
    night.contacts.edge("gpio:7", True)
    night.clock.sleep_s(0.1)
    trigger_s = night.press()
    night.clock.sleep_s(1.0)
    night.contacts.edge("gpio:7", False)
    night.clock.sleep_s(0.1)
    assert night.switched(trigger_s) == [(START_S, True), (1.0, False)]
    assert night.why() == "the dead-man contact was let go"


def test_a_limit_switch_out_of_sight_cuts_the_output() -> None:
    night = Stage(limited(), prop=False)
    trigger_s = night.press()
    night.clock.sleep_s(1.0)
    night.contacts.unplug()
    night.clock.sleep_s(0.5)
    night.contacts.plug_in()
    night.clock.sleep_s(20.0)
    assert night.switched(trigger_s)[0] == (START_S, True)
    assert night.switched(trigger_s)[1][0] <= 1.25
    assert len(night.output.switched) == 2
    assert night.why() == "the limit switch was out of sight"
    assert night.state() is State.HELD  # nobody saw the prop come back


def test_no_prop_is_started_while_its_limit_switch_is_out_of_sight_or_open() -> None:
    """The switch hangs on something else than the button: the button still presses."""
    night = Stage(limited(), prop=False)
    for lost in (True, False):
        gone = ContactEdge(contact=LIMIT, closed=False, at_s=night.clock.now_s(), found=lost)
        night.show.put(gone)
        night.clock.sleep_s(0.1)
        night.press()
        night.clock.sleep_s(10.0)
        assert night.output.switched == []
        assert night.state() is State.ARMED
        assert night.all(PressRefused)[-1].text == (
            "press refused: armed. The limit switch, pin 5, does not tell that the prop is reset. Cut the "
            "prop's power before you reach in; look at the switch and at what it hangs on."
        )
        night.show.put(replace(gone, closed=True, at_s=night.clock.now_s()))
        night.clock.sleep_s(0.1)
    night.press()
    night.clock.sleep_s(1.0)
    assert night.output.is_on


def test_an_output_that_goes_holds_its_scene_and_comes_back_off() -> None:
    night = Stage(limited())
    night.press()
    night.clock.sleep_s(1.0)
    night.output.unplug()
    night.clock.sleep_s(0.5)
    assert night.state() is State.HELD
    assert any("gpio:22, which starts the prop, is gone" in fault.text for fault in night.all(Fault))
    night.output.plug_in()
    night.clock.sleep_s(3.0)
    assert "gpio:22, which starts the prop, is back, and off" in night.all(Recovered)[-1].text
    assert not night.output.is_on
    assert night.state() is State.HELD
    night.do(night.show.arm)
    night.clock.sleep_s(10.0)
    trigger_s = night.press()
    night.clock.sleep_s(10.0)
    assert night.switched(trigger_s)[-2:] == [(START_S, True), (START_S + 2.7, False)]


def test_a_scene_whose_output_went_while_all_was_stopped_is_not_armed_until_it_is_back() -> None:
    night = Simulation([driven(), plan(title="Attic", contact="key:a", sounds=())], stop=("key:enter",))
    night.press("key:enter")
    night.clock.sleep_s(1.0)
    night.outputs[TITLE].unplug()
    night.clock.sleep_s(3.0)
    for key in ("key:1", "key:2"):
        night.press(key)
        night.clock.sleep_s(8.0)
    assert (night.state(), night.state("Attic")) == (State.OFF, State.ARMED)
    assert str(night.all(Fault)[-1]) == (
        "Cellar door: gpio:22, which starts the prop, is gone. The scene is not armed. "
        "Plug it in again, then arm the scene."
    )
    night.outputs[TITLE].plug_in()
    night.clock.sleep_s(3.0)
    assert night.state() is State.OFF
    night.press("key:2")
    night.clock.sleep_s(8.0)
    assert night.state() is State.ARMED


def test_a_lost_sound_card_stops_no_prop_half_way() -> None:
    night = Stage(limited())
    trigger_s = night.press()
    night.clock.sleep_s(1.0)
    night.card_there = False
    night.audio.stop()
    night.clock.sleep_s(10.0)
    assert night.switched(trigger_s) == [(START_S, True), (START_S + 2.7, False)]


def test_a_prop_that_can_not_be_started_holds_its_scene() -> None:
    night = Stage(limited())

    def broken(for_s: float) -> None:
        raise DeviceError(f"the driver refuses {for_s}.")

    night.output.on = broken  # type: ignore[method-assign]
    night.press()
    night.clock.sleep_s(0.5)
    assert "gpio:22: the driver refuses 0.35. The scene is held. Cut the prop's power before" in str(
        night.all(Fault)[-1]
    )
    assert night.state() is State.HELD


def test_refused_presses_start_nothing() -> None:
    night = Stage(limited())
    night.press()
    for _ in range(20):
        night.clock.sleep_s(0.13)
        night.press(hold_s=0.05)
    night.clock.sleep_s(10.0)
    assert len(night.output.switched) == 2


def test_the_rows_say_that_a_prop_is_driven() -> None:
    board = Board([TITLE])
    board.take(PropSwitched(at_s=1.0, scene=TITLE, output="gpio:22", on=True))
    assert "PROP DRIVEN" in board.rows(1.0)[0].text
    assert board.as_json(1.0)["scenes"][0]["driven"] is True  # type: ignore[index]
    board.take(PropSwitched(at_s=2.0, scene=TITLE, output="gpio:22", on=False, on_s=1.0, why="over"))
    assert "PROP DRIVEN" not in board.rows(2.0)[0].text


def test_a_rehearsal_starts_the_prop_as_the_show_does() -> None:
    for scene in (driven(pops_s=(0.55, 0.6, 0.65)), limited(pops_s=(0.55, 0.6, 0.65))):
        rehearsal = rehearse(scene, presses=20)
        assert {round(scare.pop_s, 6) for scare in rehearsal.scares} == {0.55, 0.6, 0.65}
        on, off = rehearsal.switched
        assert (on.on, round(on.at_s, 6)) == (True, START_S)
        limit_s = RESET_S if scene.limit_contact else START_S + MAX_ON_S
        assert round(off.at_s, 6) == min(limit_s, START_S + MAX_ON_S)


def test_a_pop_counts_only_once_the_prop_was_started() -> None:
    """The prop waits for 5 s, then pops after 300 ms."""
    scene = limited(delay_s=5.3, reset_s=10.0, pop_contact="gpio:6")
    assert scene.drive is not None
    scene = replace(scene, drive=replace(scene.drive, start_s=5.0, latest_start_s=5.0))
    night = Stage(scene)
    for early_s, number in ((4.9, 1), (5.31, 2)):
        trigger_s = night.press()
        night.contacts.edge("gpio:6", True, trigger_s + early_s)
        night.contacts.edge("gpio:6", False, trigger_s + early_s + 0.05)
        night.clock.sleep_s(20.0)
        (done,) = (event for event in night.all(ScareDone) if event.number == number)
        assert done.misfire == (number == 1)
    assert done.pop_s == pytest.approx(5.31)


def test_no_two_props_hang_on_one_output() -> None:
    other = driven(title="Attic", contact="key:a")
    with pytest.raises(InputError, match="gpio:22, which starts another prop"):
        _check_together([driven(), other], Controls())
    with pytest.raises(InputError, match="can't be beside the contact gpio:22 nc"):
        _check_together([driven()], Controls(stop=("gpio:22 nc",)))


class Nights(RuleBasedStateMachine):
    """Any order of presses, contacts, operator and pulled plugs against one invariant: the prop is driven
    only where its scene is playing or resetting, never too long, never twice for one press."""

    def __init__(self) -> None:
        super().__init__()
        self.night = Stage(limited(enable_contact="gpio:7"), prop=False, stop=("gpio:9",))

    def wait(self, gap_s: float) -> None:
        self.night.clock.sleep_s(gap_s)

    @rule(gap_s=st.floats(0.0, 9.0))
    def pass_time(self, gap_s: float) -> None:
        self.wait(gap_s)

    @rule(contact=st.sampled_from(["key:space", "gpio:7", LIMIT, "gpio:9"]), closed=st.booleans())
    def edge(self, contact: str, closed: bool) -> None:
        was_closed = contact in self.night.contacts._closed
        self.night.contacts.edge(contact, closed)
        self.wait(0.05)
        if contact == LIMIT and closed and not was_closed:  # it had been open for longer than bounce is
            assert not self.night.output.is_on

    @rule()
    def press_in_good_order(self) -> None:
        night = self.night
        for contact, closed in (("gpio:9", False), ("key:space", False), (LIMIT, True), ("gpio:7", True)):
            night.contacts.edge(contact, closed)
        for doing in (night.show.acknowledge, night.show.arm):
            night.do(doing)
        self.wait(0.5)
        night.press()
        self.wait(0.4)

    @rule(step=st.sampled_from(["stop", "acknowledge", "arm", "hold"]))
    def operator(self, step: str) -> None:
        show = self.night.show
        doing = {
            "stop": lambda: show.stop_all(""),
            "acknowledge": show.acknowledge,
            "arm": show.arm,
            "hold": lambda: show.hold(TITLE),
        }
        self.night.do(doing[step])

    @rule(what=st.sampled_from(["contacts", "output"]), back_s=st.floats(0.0, 3.0))
    def pull_the_plug(self, what: str, back_s: float) -> None:
        device = self.night.contacts if what == "contacts" else self.night.output
        device.unplug()
        self.wait(back_s)
        device.plug_in()
        self.wait(0.3)

    @invariant()
    def driven_only_where_it_may_be(self) -> None:
        night = self.night
        if night.output.is_on:
            assert night.state() in (State.PLAYING, State.RESETTING)
        assert len(night.output.switched) <= 2 * night.show.scares
        for (on_s, on), (off_s, off) in itertools.pairwise(night.output.switched):
            assert on is not off
            assert not on or off_s - on_s <= MAX_ON_S + 1e-9
        if night.output.is_on:
            assert night.clock.now_s() - night.output.switched[-1][0] <= MAX_ON_S + 1e-9


Nights.TestCase.settings = settings(max_examples=40, stateful_step_count=25)
TestNights = Nights.TestCase
