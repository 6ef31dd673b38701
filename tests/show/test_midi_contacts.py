"""What MIDI messages do to a show: who is stopped, and who is not fired."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from cuesync.devices.midi import NoteReader
from cuesync.devices.polarity import WithPolarity
from cuesync.devices.ports import Clock, Counts, EdgeSink
from cuesync.show.states import State
from cuesync.show.steering import Steering
from tests.show.plans import plan
from tests.show.simulation import Simulation

pytest.importorskip("mido")


class MidiPort:
    """A MIDI port that a test sends bytes to."""

    name = "pedals"

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._reader: NoteReader | None = None

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:
        self._reader = NoteReader(contacts, sink, self._clock)

    def arrive(self, *data: int) -> None:
        assert self._reader is not None
        self._reader.arrived((list(data), 0.0))
        self._clock.sleep_s(0.5)

    @property
    def discarded(self) -> Counts:
        return {}

    def alive(self) -> bool:
        return True

    def close(self) -> None:
        self._reader = None


def night_with(trigger: str, stop: str) -> tuple[Simulation, MidiPort]:
    """An armed night whose MIDI port has been open for some seconds and was silent."""
    night = Simulation([plan(contact=trigger, sounds=(), reset_s=2.0)], quick=True)
    steering = Steering(
        night.show, night.clock, night.said.append, stop=(stop,), acknowledge=("key:1",), arm=("key:2",)
    )
    port = MidiPort(night.clock)
    WithPolarity(port).open([trigger, stop], steering.take)
    night.clock.sleep_s(5.0)
    assert night.state() is State.ARMED
    return night, port


def test_the_first_press_of_a_stop_pedal_that_is_closed_at_rest_stops() -> None:
    night, port = night_with("midi:60", "midi-cc:64 nc")
    port.arrive(0xB0, 64, 0)
    assert night.state() is State.STOPPED


def test_a_trigger_that_is_closed_at_rest_has_to_be_heard_once_before_it_fires() -> None:
    """Its first 0 may be what a pedal board tells as it is switched on."""
    night, port = night_with("midi-cc:65 nc", "midi-cc:64 nc")
    port.arrive(0xB0, 65, 0)
    assert (night.state(), night.show.scares) == (State.RESETTING, 0)
    port.arrive(0xB0, 65, 127)
    assert night.state() is State.ARMED
    port.arrive(0xB0, 65, 0)
    assert night.show.scares == 1


def test_the_first_press_of_an_open_trigger_fires() -> None:
    night, port = night_with("midi-cc:65", "midi-cc:64 nc")
    port.arrive(0xB0, 65, 127)
    assert night.show.scares == 1


def test_what_ends_all_notes_fires_nothing_and_stops_by_a_note_that_is_held_at_rest() -> None:
    """MIDI 1.0: 123 is all notes off; programs send it when they are closed."""
    night, port = night_with("midi:60 nc", "midi:61 nc")
    port.arrive(0x90, 60, 99)
    port.arrive(0xB0, 123, 0)
    assert (night.state(), night.show.scares) == (State.RESETTING, 0)
    port.arrive(0x90, 61, 99)
    port.arrive(0xB0, 123, 0)
    assert (night.state(), night.show.scares) == (State.STOPPED, 0)
