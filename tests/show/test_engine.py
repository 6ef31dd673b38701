"""The show on the simulated clock: presses, lockout, stops, several scenes."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest

from cuesync.show.events import ContactStuck, Fault, Note, PressRefused, ScareDone, StateChanged, Triggered
from cuesync.show.states import State
from tests.show.plans import click, light, plan, sound
from tests.show.simulation import Simulation


def test_from_the_press_to_the_end_of_the_reset() -> None:
    night = Simulation([plan(reset_s=5.0, lights=(light(0.6),))])
    assert night.state() is State.ARMED
    trigger_s = night.press()
    night.clock.sleep_s(10.0)
    (done,) = night.all(ScareDone)
    assert done.trigger_s == trigger_s
    assert done.sounds[0].late_ms == pytest.approx(0.0, abs=0.011)
    assert [sent.on for sent in done.lights] == [True, False]
    assert [sent.late_ms for sent in done.lights] == pytest.approx([0.0, 0.0], abs=1e-6)
    changes = [(event.after, round(event.at_s - trigger_s, 6)) for event in night.all(StateChanged)][2:]
    assert changes == [(State.PLAYING, 0.0), (State.RESETTING, 0.7), (State.ARMED, 5.0)]


def test_the_click_is_handed_over_at_trigger_plus_delay() -> None:
    night = Simulation([plan(delay_s=0.6)])
    night.clock.sleep_s(0.12345)
    trigger_s = night.press()
    night.clock.sleep_s(2.0)
    heard = night.audio.sound_from(trigger_s, 48000)[:, 0]
    assert abs(int(np.argmax(heard)) - 28800) <= 1


def test_with_a_noisy_card_the_click_still_lands_within_a_tenth_of_a_millisecond() -> None:
    draw = random.Random(5)
    night = Simulation([plan(delay_s=0.3, reset_s=0.8)], late_s=lambda: draw.expovariate(1 / 133e-6))
    errors_ms = []
    night.clock.sleep_s(1.0)
    for _ in range(40):
        trigger_s = night.press()
        night.clock.sleep_s(1.0 + draw.random() * 0.1)
        heard = night.audio.sound_from(trigger_s, 24000)[:, 0]
        errors_ms.append((int(np.argmax(heard)) / 48000 - 0.3) * 1000.0)
        night.audio.blocks.clear()
    assert np.std(errors_ms) <= 0.1
    assert np.max(np.abs(np.array(errors_ms) - np.median(errors_ms))) <= 0.5


def test_a_sound_that_begins_late_hits_on_time_and_its_missing_head_is_logged() -> None:
    night = Simulation([plan(delay_s=0.1, sounds=(sound(click(), start_s=0.0),))], block_frames=2048)
    (note,) = night.all(Note)
    assert "a block (42.7 ms), so it may begin up to 42.7 ms late" in note.text
    late_ms = []
    for _ in range(10):
        trigger_s = night.press()
        night.clock.sleep_s(5.777)
        heard = night.audio.sound_from(trigger_s, 9600)[:, 0]
        assert abs(int(np.argmax(heard)) - 4800) <= 1
        night.audio.blocks.clear()
        late_ms.append(night.all(ScareDone)[-1].sounds[0].late_ms)
        lands_s = night.all(ScareDone)[-1].sounds[0].lands_s
        assert lands_s == pytest.approx(0.1, abs=1 / 48000)
    assert 30.0 < max(filter(None, late_ms)) <= 42.7


def test_a_sound_that_starts_later_than_a_block_needs_no_note() -> None:
    assert Simulation([plan()]).all(Note) == []


def test_presses_in_the_lockout_are_refused_and_counted() -> None:
    night = Simulation([plan(reset_s=5.0)])
    night.press()
    night.clock.sleep_s(2.0)
    night.press()
    night.clock.sleep_s(1.0)
    refused = night.all(PressRefused)
    assert [press.wait_s for press in refused] == pytest.approx([3.0])
    assert refused[0].text == "press refused: resetting, ready in 3.0 s"
    assert len(night.all(Triggered)) == 1
    assert night.show.refusals == 1


def test_a_stuck_contact_is_told_once_and_triggers_nothing() -> None:
    night = Simulation([plan(reset_s=5.0)], quick=True)
    night.press(hold_s=3600.0)
    night.clock.sleep_s(3000.0)
    (stuck,) = night.all(ContactStuck)
    assert "key:space is still closed" in stuck.text
    assert night.show.scares == 1
    assert night.state() is State.RESETTING
    night.clock.sleep_s(601.0)
    assert night.state() is State.ARMED


@pytest.mark.parametrize("kind", ["trigger", "pop"])
def test_a_contact_found_closed_has_not_been_pressed(kind: str) -> None:
    scene = plan() if kind == "trigger" else replace(plan(contact="key:f"), pop_contact="key:space")
    night = Simulation([scene], closed=["key:space"])
    night.clock.sleep_s(20.0)
    assert (night.show.scares, night.show.refusals) == (0, 0)
    assert len(night.all(ContactStuck)) == (1 if kind == "trigger" else 0)
    assert night.state() is (State.RESETTING if kind == "trigger" else State.ARMED)
    night.contacts.edge("key:space", False)
    night.clock.sleep_s(1.0)
    night.press(scene.contact)
    night.clock.sleep_s(0.1)
    assert night.show.scares == 1


def test_a_contact_found_closed_is_told_before_the_scene_is_ever_armed() -> None:
    night = Simulation([plan()], closed=["key:space"])
    assert State.ARMED not in [event.after for event in night.all(StateChanged)]


def test_chatter_for_ten_minutes_gives_one_scare_a_reset() -> None:
    night = Simulation([plan(reset_s=30.0)], quick=True)
    start_s = night.clock.now_s()
    draw = random.Random(2)
    at_s = start_s
    closed = False
    while at_s < start_s + 600.0:
        closed = not closed
        night.contacts.edge("key:space", closed, at_s)
        at_s += draw.expovariate(1 / 0.05)
    night.clock.sleep_s(600.0)
    times_s = [event.at_s for event in night.all(Triggered)]
    assert 10 <= len(times_s) <= 20
    assert min(np.diff(times_s)) >= 30.0


def test_stop_all_fades_darkens_and_needs_two_steps() -> None:
    clip = click(length_s=5.0)
    clip.samples[:] = 0.5
    night = Simulation([plan(reset_s=6.0, sounds=(sound(clip, start_s=0.05),), lights=(light(0.1, 3.0),))])
    night.press()
    night.clock.sleep_s(1.0)
    assert night.lights.lit == {"midi:36"}
    stop_s = night.clock.now_s()
    night.show.put(lambda: night.show.stop_all("stopped by the operator"))
    night.clock.sleep_s(1.0)
    heard = night.audio.sound_from(stop_s, 4800)[:, 0]
    assert not heard[round(0.050 * 48000) :].any()  # silent 50 ms later
    assert np.max(np.abs(np.diff(heard))) < 0.5 / 400
    assert night.lights.lit == set()
    assert night.state() is State.STOPPED
    (done,) = night.all(ScareDone)
    assert done.stopped
    night.clock.sleep_s(10.0)
    night.press()
    night.clock.sleep_s(1.0)
    assert night.show.scares == 1
    night.show.put(night.show.arm)
    night.clock.sleep_s(1.0)
    assert night.state() is State.STOPPED
    night.show.put(night.show.acknowledge)
    night.clock.sleep_s(1.0)
    assert night.state() is State.OFF
    night.show.put(night.show.arm)
    night.clock.sleep_s(1.0)
    assert night.state() is State.ARMED


def test_a_held_scene_refuses_and_the_others_go_on() -> None:
    night = Simulation([plan(), plan(title="Attic", contact="key:f")])
    night.hold("Attic")
    night.clock.sleep_s(0.1)
    night.press("key:f")
    night.press()
    night.clock.sleep_s(1.0)
    assert [event.scene for event in night.all(Triggered)] == ["Cellar door"]
    assert [(event.scene, event.wait_s) for event in night.all(PressRefused)] == [("Attic", None)]
    night.show.put(night.show.arm)
    night.clock.sleep_s(0.2)
    assert night.state("Attic") is State.ARMED


def test_two_scenes_triggered_together_start_on_one_sample() -> None:
    one = plan(sounds=(sound(click(), start_s=0.5, outputs=(1,)),))
    two = replace(plan(sounds=(sound(click(), start_s=0.5, outputs=(2,)),)), title="Attic")
    night = Simulation([one, two])
    trigger_s = night.press()
    night.clock.sleep_s(1.0)
    heard = night.audio.sound_from(trigger_s, 48000)
    assert np.argmax(heard[:, 0]) == np.argmax(heard[:, 1])


def test_an_exception_in_one_scene_holds_it_and_touches_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    night = Simulation([plan(), plan(title="Attic", contact="key:f")])
    bad = night.show._scenes[1]
    monkeypatch.setattr(type(bad.state), "edge", _broken_for(bad.state, type(bad.state).edge))
    night.press("key:f")
    night.press()
    night.clock.sleep_s(1.0)
    assert [event.scene for event in night.all(Triggered)] == ["Cellar door"]
    fault = night.all(Fault)[0]
    assert fault.scene == "Attic"
    assert "RuntimeError: broken for a test" in fault.text
    assert night.state("Attic") is State.HELD
    assert night.state() is not State.HELD


def _broken_for(state: object, whole: object) -> object:
    def edge(self: object, closed: bool, at_s: float) -> object:
        if self is state:
            raise RuntimeError("broken for a test")
        return whole(self, closed, at_s)  # type: ignore[operator]

    return edge


def test_overlapping_flashes_of_one_light_end_with_the_last() -> None:
    night = Simulation([plan(lights=(light(0.1, 0.2), light(0.2, 0.3)))])
    trigger_s = night.press()
    night.clock.sleep_s(2.0)
    sent = [(command.on, round(at_s - trigger_s, 6)) for at_s, command in night.lights.sent]
    assert sent == [(True, 0.1), (False, 0.5)]
    (done,) = night.all(ScareDone)
    assert len(done.lights) == 4


def test_a_scare_still_running_when_the_prop_is_ready_again_is_reported() -> None:
    night = Simulation([plan(reset_s=0.2)])
    for _ in range(3):
        night.press(hold_s=0.05)
        night.clock.sleep_s(0.9)
    night.clock.sleep_s(1.0)
    assert len(night.all(ScareDone)) == len(night.all(Triggered)) == 3


def test_the_house_light_is_on_from_the_stop_until_the_second_step() -> None:
    night = Simulation([plan(reset_s=3.0, lights=(light(0.1, 2.0),))], house_lights=("midi:1",))
    night.press()
    night.clock.sleep_s(1.0)
    assert night.lights.lit == {"midi:36"}
    for _ in range(2):  # a second stop changes nothing
        night.show.put(lambda: night.show.stop_all("stopped"))
        night.clock.sleep_s(0.1)
        assert night.lights.lit == {"midi:1"}
    night.show.put(night.show.arm)
    night.clock.sleep_s(0.1)
    assert night.lights.lit == {"midi:1"}
    night.show.put(night.show.acknowledge)
    night.clock.sleep_s(0.1)
    assert night.lights.lit == {"midi:1"}
    night.show.put(night.show.arm)
    night.clock.sleep_s(0.1)
    assert night.lights.lit == set()
