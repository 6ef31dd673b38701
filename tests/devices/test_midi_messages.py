"""MIDI bytes in and out, without a port. Bytes: MIDI 1.0, note off 8n, note on 9n."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices.midi import NoteReader, light_bytes
from cuesync.devices.ports import ContactEdge, LightCommand
from cuesync.devices.simulated import SimulatedClock

pytest.importorskip("mido")


class Notes:
    """A reader and the edges it gave."""

    def __init__(self, contacts: list[str], *, open_for_s: float = 0.0) -> None:
        self.edges: list[ContactEdge] = []
        clock = SimulatedClock(50.0)
        self.reader = NoteReader(contacts, self.edges.append, clock)
        clock.sleep_s(open_for_s)

    def bytes_arrive(self, *data: int) -> None:
        self.reader.arrived((list(data), 0.0))


def test_note_on_closes_and_note_off_opens() -> None:
    contacts = Notes(["midi:60"])
    contacts.bytes_arrive(0x90, 60, 1)
    contacts.bytes_arrive(0x80, 60, 64)
    contacts.bytes_arrive(0x93, 60, 127)
    contacts.bytes_arrive(0x93, 60, 0)
    assert [edge.closed for edge in contacts.edges] == [True, False, True, False]
    assert {edge.contact for edge in contacts.edges} == {"midi:60"}
    assert contacts.edges[0].at_s == 50.0


def test_the_channel_counts_where_it_is_given() -> None:
    contacts = Notes(["midi:10:60", "midi:60"])
    contacts.bytes_arrive(0x99, 60, 100)
    contacts.bytes_arrive(0x90, 60, 100)
    contacts.bytes_arrive(0x99, 61, 100)
    assert [edge.contact for edge in contacts.edges] == ["midi:10:60", "midi:60", "midi:60"]


@given(st.lists(st.integers(-3, 300), max_size=6))
def test_garbage_never_fires_and_harms_nothing(data: list[int]) -> None:
    contacts = Notes(["midi:60"])
    contacts.bytes_arrive(*data)
    if contacts.edges:
        assert len(data) == 3
        assert data[0] >> 4 in (8, 9)
        assert data[1] == 60
    contacts.edges.clear()
    contacts.bytes_arrive(0x90, 60, 100)
    assert len(contacts.edges) == 1


def test_lights_are_notes() -> None:
    assert light_bytes(LightCommand(light="midi:36", level=1.0)) == [0x90, 36, 127]
    assert light_bytes(LightCommand(light="midi:10:40", level=1.0)) == [0x99, 40, 127]
    assert light_bytes(LightCommand(light="midi:36", level=0.0)) == [0x80, 36, 0]
    assert light_bytes(LightCommand(light="midi:36", level=0.5)) == [0x90, 36, 64]
    assert light_bytes(LightCommand(light="midi:36", level=0.001)) == [0x90, 36, 1]


def test_a_controller_s_value_is_the_level() -> None:
    assert light_bytes(LightCommand(light="midi-cc:2:20", level=1.0)) == [0xB1, 20, 127]
    assert light_bytes(LightCommand(light="midi-cc:2:20", level=0.0)) == [0xB1, 20, 0]


def test_a_controller_is_closed_from_64_on() -> None:
    """MIDI 1.0: switches are off up to 63, on from 64."""
    contacts = Notes(["midi-cc:64", "midi-cc:2:64"], open_for_s=2.0)
    for value in (0, 63, 64, 127, 64, 63, 10):
        contacts.bytes_arrive(0xB0, 64, value)
    assert [(edge.contact, edge.closed, edge.found) for edge in contacts.edges] == [
        ("midi-cc:64", False, True),
        ("midi-cc:64", True, False),
        ("midi-cc:64", False, False),
    ]
    contacts.bytes_arrive(0xB1, 64, 127)
    assert [edge.contact for edge in contacts.edges[3:]] == ["midi-cc:64", "midi-cc:2:64"]


@pytest.mark.parametrize(
    ("open_for_s", "value", "found"),
    [(1.99, 127, True), (2.0, 127, False), (0.0, 0, True), (600.0, 0, True)],
)
def test_what_a_controller_says_first_may_be_no_more_than_how_it_stands(
    open_for_s: float, value: int, found: bool
) -> None:
    contacts = Notes(["midi-cc:64"], open_for_s=open_for_s)
    contacts.bytes_arrive(0xB0, 64, value)
    assert [(edge.closed, edge.found) for edge in contacts.edges] == [(value == 127, found)]
    contacts.bytes_arrive(0xB0, 64, 127 - value)
    assert [(edge.closed, edge.found) for edge in contacts.edges[1:]] == [(value == 0, False)]


# MIDI 1.0, channel mode messages: 120 all sound off, 123 all notes off; the modes 124 to 127 act as 123.
@pytest.mark.parametrize("control", [120, 123, 124, 125, 126, 127])
def test_what_ends_the_notes_of_a_channel_opens_its_contacts(control: int) -> None:
    contacts = Notes(["midi:60", "midi:2:60", "midi:61"])
    contacts.bytes_arrive(0x90, 60, 99)
    contacts.bytes_arrive(0xB1, control, 0)
    assert [edge.contact for edge in contacts.edges] == ["midi:60"]
    contacts.bytes_arrive(0xB0, control, 0)
    contacts.bytes_arrive(0xB0, control, 0)
    assert [(edge.contact, edge.closed, edge.found) for edge in contacts.edges[1:]] == [
        ("midi:60", False, True)
    ]
    contacts.bytes_arrive(0x90, 60, 99)
    contacts.bytes_arrive(0x80, 60, 0)
    contacts.bytes_arrive(0xB0, control, 0)
    assert [(edge.closed, edge.found) for edge in contacts.edges[2:]] == [(True, False), (False, False)]


def test_a_system_reset_ends_the_notes_of_all_channels() -> None:
    """MIDI 1.0, system reset (FF): "turn voices off"."""
    contacts = Notes(["midi:60", "midi:2:61"])
    contacts.bytes_arrive(0x95, 60, 99)
    contacts.bytes_arrive(0x91, 61, 99)
    contacts.bytes_arrive(0xFF)
    assert [(edge.contact, edge.closed, edge.found) for edge in contacts.edges[2:]] == [
        ("midi:60", False, True),
        ("midi:2:61", False, True),
    ]


def test_a_controller_may_have_a_number_that_ends_notes() -> None:
    contacts = Notes(["midi-cc:123"], open_for_s=9.0)
    contacts.bytes_arrive(0xB0, 123, 127)
    assert [(edge.closed, edge.found) for edge in contacts.edges] == [(True, False)]
    assert contacts.reader.discarded == {}
