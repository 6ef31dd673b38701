"""Devices that vanish and come back while the show runs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import NoReturn

import numpy as np
import pytest
import soundfile as sf

from cuesync.devices.ports import Trouble
from cuesync.devices.simulated import SimulatedLights, SimulatedOutput
from cuesync.plan.plan import PlannedDrive
from cuesync.plan.resolve import resolve
from cuesync.scene.load import read_scene
from cuesync.show.board import Board
from cuesync.show.events import ContactStuck, Fault, Recovered, ScareDone, Triggered
from cuesync.show.states import State
from tests.show.plans import click, light, plan
from tests.show.simulation import Simulation


def state_of(night: Simulation) -> State:
    return night.state()


def test_a_card_that_vanishes_comes_back_by_itself_and_lights_go_on() -> None:
    night = Simulation([plan(reset_s=2.0, lights=(light(0.6),))])
    night.card_there = False
    night.audio.stop()
    night.clock.sleep_s(1.0)
    night.press()
    night.clock.sleep_s(5.0)
    (dark,) = night.all(ScareDone)
    assert dark.sounds[0].start_s is None
    assert [sent.problem for sent in dark.lights] == ["", ""]
    assert "1 of 1 sounds not heard" in dark.text
    night.card_there = True
    night.clock.sleep_s(1.0)
    trigger_s = night.press()
    night.clock.sleep_s(3.0)
    assert [type(event) for event in night.said if isinstance(event, Fault | Recovered)] == [Fault, Recovered]
    heard = night.audio.sound_from(trigger_s, 48000)[:, 0]
    assert abs(int(np.argmax(heard)) - 28800) <= 1


def test_a_card_that_falls_silent_in_the_middle_of_a_cue_joins_in_again() -> None:
    night = Simulation([plan(delay_s=3.0, reset_s=5.0)])
    trigger_s = night.press()
    night.clock.sleep_s(0.5)
    night.audio.stop()
    night.clock.sleep_s(4.0)
    heard = night.audio.sound_from(trigger_s, 4 * 48000)[:, 0]
    assert abs(int(np.argmax(heard)) - 3 * 48000) <= 1
    assert heard.max() == 0.5


def test_a_clip_that_is_deleted_after_arming_is_played_also_after_a_restart(tmp_path: Path) -> None:
    clip, scene = tmp_path / "click.wav", tmp_path / "scene.toml"
    sf.write(clip, click().samples, 48000, subtype="FLOAT")  # 0.5 stays 0.5
    scene.write_text(
        'title = "Cellar door"\n[prop]\ntrigger_to_pop_ms = 600\nreset_s = 2\n'
        '[sound]\nclip = "click.wav"\nhit_s = 0.1\n',
        encoding="utf-8",
    )
    night = Simulation([resolve(read_scene(scene))])
    clip.unlink()
    scene.unlink()
    for _ in range(2):
        trigger_s = night.press()
        night.clock.sleep_s(3.0)
        heard = night.audio.sound_from(trigger_s, 48000)[:, 0]
        assert heard.max() == 0.5
        assert abs(int(np.argmax(heard)) - 28800) <= 1
        night.audio.stop()
        night.clock.sleep_s(2.0)
    assert len(night.all(ScareDone)) == 2


def test_lost_sound_is_counted_and_told() -> None:
    night = Simulation([plan()])
    night.audio.drop(4800)
    night.clock.sleep_s(10.0)
    (fault,) = night.all(Fault)
    assert fault.text.startswith("the sound dropped out 1 times (100 ms lost).")


def test_lights_that_vanish_are_told_once_and_used_again() -> None:
    night = Simulation([plan(reset_s=1.0, lights=(light(0.6),))])
    night.lights.unplug()
    night.clock.sleep_s(2.0)
    night.press()
    night.clock.sleep_s(2.0)
    night.lights.plug_in()
    night.clock.sleep_s(1.0)
    night.press()
    night.clock.sleep_s(2.0)
    first, second = night.all(ScareDone)
    assert all(sent.at_s is None and sent.problem for sent in first.lights)
    assert "2 of 2 light commands not sent" in first.text
    assert all(sent.problem == "" for sent in second.lights)
    assert [type(event) for event in night.said if isinstance(event, Fault | Recovered)] == [Fault, Recovered]


def test_an_output_that_vanishes_in_the_cue_interrupts_no_other() -> None:
    flashes = [
        (light(0.2, 0.2, address), light(0.6, 0.2, address), light(1.0, 0.5, address))
        for address in ("midi:36", "dmx:1:1")
    ]
    night = Simulation([plan(reset_s=2.0, lights=(*flashes[0], *flashes[1]))])
    trigger_s = night.press()
    night.clock.sleep_s(0.3)
    night.lights.unplug()
    night.clock.sleep_s(0.8)
    night.lights.plug_in()
    night.clock.sleep_s(2.0)
    sent = [(round(at_s - trigger_s, 6), command.level) for at_s, command in night.dimmers.sent]
    assert sent == [(0.2, 1.0), (0.4, 0.0), (0.6, 1.0), (0.8, 0.0), (1.0, 1.0), (1.5, 0.0)]
    assert set(night.opened) == {"MIDI port"}
    (missed,) = night.all(ScareDone)
    assert [(told.light, bool(told.problem)) for told in missed.lights] == [
        ("midi:36", False),
        ("dmx:1:1", False),
        ("midi:36", True),
        ("dmx:1:1", False),
        ("midi:36", True),
        ("dmx:1:1", False),
        ("midi:36", True),
        ("dmx:1:1", False),
        ("midi:36", True),
        ("dmx:1:1", False),
        ("midi:36", True),  # lit late, when its port came back in the middle of it
        ("dmx:1:1", False),
    ]
    assert night.lights.lit == set()
    faults = [event.text for event in night.said if isinstance(event, Fault | Recovered)]
    assert faults[0].startswith("the MIDI port for midi:36 is gone; everything else goes on.")
    assert faults[1:] == ["the MIDI port for midi:36 is back"]


def test_repeats_that_fail_are_told_once_and_counted() -> None:
    class Dimmers(SimulatedLights):
        trouble = Trouble()

    night = Simulation([plan(lights=(light(0.6, address="dmx:1:1"),))])
    (_, part) = night.together.parts
    dimmers = Dimmers(night.clock)
    part.use(dimmers)
    night.clock.sleep_s(1.0)
    dimmers.trouble = Trouble(failures=2, now=True, what="DMX can't be sent: no network")
    night.clock.sleep_s(1.0)
    dimmers.trouble = Trouble(failures=5, now=True, what="DMX can't be sent: no network")
    night.clock.sleep_s(1.0)
    dimmers.trouble = Trouble(failures=6, what="DMX can't be sent: no network")
    night.clock.sleep_s(1.0)
    dimmers.trouble = Trouble(failures=7, what="DMX can't be sent: full")
    night.clock.sleep_s(1.0)
    assert [event.text for event in night.said if isinstance(event, Fault | Recovered)] == [
        "DMX can't be sent: no network. Check the network; it is tried again and again.",
        "DMX is sent again; packets lost: 6",
        "DMX can't be sent: full, but it is sent again; packets lost: 1.",
    ]


def test_an_output_that_hangs_in_its_driver_is_told_of_once_and_when_it_answers_again() -> None:
    night = Simulation([plan(lights=(light(0.6),))])
    (part, _) = night.together.parts
    with part._in_use():
        night.clock.sleep_s(0.9)
    assert night.all(Fault) == []  # slow, but it answers
    with part._in_use():
        night.clock.sleep_s(3.0)
    night.clock.sleep_s(1.0)
    assert [event.text for event in night.said if isinstance(event, Fault | Recovered)] == [
        "the MIDI port for midi:36 does not answer; everything else goes on. "
        "Look at it, or plug it in again.",
        "the MIDI port for midi:36 answers again",
    ]


def test_a_stop_lights_the_house_lights_that_are_there() -> None:
    night = Simulation([plan(lights=(light(0.6),))], house_lights=("midi:50", "dmx:1:5"))
    night.press()
    night.clock.sleep_s(0.65)
    night.lights.unplug()  # and nobody has noticed yet
    night.show.put(lambda: night.show.stop_all("stopped"))
    night.clock.sleep_s(1.0)
    assert night.dimmers.lit == {"dmx:1:5"}
    said = [event.text for event in night.all(Fault)]
    assert any("the house light midi:50 could not be switched on" in text for text in said)
    night.lights.plug_in()
    night.clock.sleep_s(1.0)
    assert night.lights.lit == {"midi:50"}


def test_a_driver_that_raises_anything_as_it_is_opened_keeps_no_lost_stop_contact_waiting(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def broken(*_: object) -> NoReturn:
        raise RuntimeError("a driver's own mistake")

    for device in ("sound", "lights", "output"):
        scene = replace(
            plan(lights=(light(0.6),)),
            drive=PlannedDrive(output="gpio:22", start_s=0.3, latest_start_s=0.3, delay_s=0.0, max_on_s=1.0),
        )
        night = Simulation([scene], stop=("gpio:9 nc",))
        with monkeypatch.context() as patch:
            if device == "sound":
                patch.setattr(night, "_new_audio", broken)
                night.audio.stop()
            elif device == "lights":
                patch.setattr(night.together.parts[0], "open", broken)
                night.lights.unplug()
            else:
                patch.setattr(night.watch._starters[0], "open", broken)
                night.outputs["Cellar door"].unplug()
            night.clock.sleep_s(1.0)
            night.contacts.unplug()
            night.clock.sleep_s(1.0)
        assert night.state() is State.STOPPED, device


def test_a_contact_that_vanishes_while_closed_does_not_trigger_when_it_is_back() -> None:
    night = Simulation([plan(reset_s=1.0)])
    night.press(hold_s=100.0)
    night.clock.sleep_s(5.0)
    night.contacts.unplug()
    night.clock.sleep_s(1.0)
    assert night.state() is State.ARMED  # a contact that can't be seen counts as open
    night.contacts.plug_in()
    night.clock.sleep_s(1.0)
    assert len(night.all(Triggered)) == 1
    assert state_of(night) is State.RESETTING  # it was found closed, and has to open first
    assert [event.contact for event in night.all(ContactStuck)] == ["key:space"] * 2
    night.contacts.edge("key:space", False)
    night.clock.sleep_s(1.0)
    night.press()
    night.clock.sleep_s(1.0)
    assert len(night.all(Triggered)) == 2
    assert [event.text for event in night.all(Recovered)] == ["the button box is back"]


def test_a_computer_that_slept_in_the_middle_of_a_cue_wakes_up_in_order() -> None:
    """On systems whose monotonic clock runs on in sleep an hour is missing; the cue is long over then."""
    night = Simulation([plan(delay_s=3.0, reset_s=5.0, lights=(light(3.0),))], quick=True)
    night.press()
    night.clock.sleep_s(0.5)
    night.audio.drop(3600 * 48000)
    night.clock.sleep_s(3700.0)
    (done,) = night.all(ScareDone)
    assert done.sounds[0].start_s is None
    assert night.state() is State.ARMED
    trigger_s = night.press()
    night.audio.keep = True
    night.clock.sleep_s(4.0)
    heard = night.audio.sound_from(trigger_s, 4 * 48000)[:, 0]
    assert abs(int(np.argmax(heard)) - 3 * 48000) <= 1


def test_what_is_back_ends_its_own_trouble_and_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    scene = replace(
        plan(lights=(light(0.6),)),
        drive=PlannedDrive(output="gpio:22", start_s=0.3, latest_start_s=0.3, delay_s=0.0, max_on_s=1.0),
    )
    night = Simulation([scene])
    output = night.outputs["Cellar door"]

    def open_output() -> SimulatedOutput:
        output.off()  # raises while it is unplugged
        return output

    monkeypatch.setattr(night.watch._starters[0], "open", open_output)

    def open_troubles() -> list[str]:
        board = Board([scene.title])
        for event in night.said:
            board.take(event)
        now_s = night.clock.now_s()
        rest = board.troubles(now_s) + board.troubles(now_s, scene.title)
        return [one.text.partition(" is gone")[0] for one in rest]

    def take_card_out() -> None:
        night.card_there = False
        night.audio.stop()

    def put_card_in() -> None:
        night.card_there = True

    parts: list[tuple[str, Callable[[], None], Callable[[], None]]] = [
        ('the sound card "simulated sound card"', take_card_out, put_card_in),
        ("the MIDI port for midi:36", night.lights.unplug, night.lights.plug_in),
        ("the button box for key:space, key:1, key:2", night.contacts.unplug, night.contacts.plug_in),
        ("gpio:22, which starts the prop,", output.unplug, output.plug_in),
    ]
    for _, unplug, _ in parts:
        unplug()
        night.clock.sleep_s(1.0)
    assert open_troubles() == [name for name, *_ in parts]
    while parts:
        _, _, plug_in = parts.pop(1 if len(parts) > 1 else 0)
        plug_in()
        night.clock.sleep_s(4.0)
        assert open_troubles() == [name for name, *_ in parts]


def test_a_port_that_could_not_send_and_then_went_is_well_once_it_is_back() -> None:
    class Dimmers(SimulatedLights):
        trouble = Trouble()

    night = Simulation([plan(lights=(light(0.6, address="dmx:1:1"),))])
    dimmers = Dimmers(night.clock)
    night.together.parts[1].use(dimmers)
    dimmers.trouble = Trouble(failures=2, now=True, what="DMX can't be sent: no network")
    night.clock.sleep_s(1.0)
    dimmers.unplug()
    night.clock.sleep_s(1.0)
    board = Board(["Cellar door"])
    for event in night.said:
        board.take(event)
    assert len(night.all(Fault)) == 2
    assert len(night.all(Recovered)) == 1
    assert board.troubles(night.clock.now_s()) == ()
