"""Addresses of contacts and lights. MIDI notes 0–127 and channels 1–16: MIDI 1.0."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices.contact_addresses import (
    BoardContact,
    GpioContact,
    InputContact,
    KeyContact,
    MicrophoneContact,
    MidiContact,
    MidiControlContact,
    MqttContact,
    OscContact,
    SerialContact,
    bare,
    in_words,
    normally_closed,
    overlap,
    parse_contact,
    parse_switch,
)
from cuesync.devices.light_addresses import (
    BoardLight,
    DmxLight,
    MidiControlLight,
    MidiLight,
    OscLight,
    parse_light,
)
from cuesync.errors import InputError


def test_keys() -> None:
    assert parse_contact("key:space") == KeyContact(key="space")
    assert parse_contact("key:F") == KeyContact(key="f")


@given(note=st.integers(0, 127), channel=st.integers(1, 16))
def test_every_midi_note_and_channel(note: int, channel: int) -> None:
    assert parse_contact(f"midi:{note}") == MidiContact(channel=None, note=note)
    assert parse_contact(f"midi:{channel}:{note}") == MidiContact(channel=channel, note=note)
    assert parse_light(f"midi:{note}") == MidiLight(channel=1, note=note)
    assert parse_light(f"midi:{channel}:{note}") == MidiLight(channel=channel, note=note)


@pytest.mark.parametrize(
    ("address", "contact"),
    [
        ("midi-cc:64", MidiControlContact(channel=None, control=64)),
        ("midi-cc:3:64", MidiControlContact(channel=3, control=64)),
        ("serial:/dev/ttyUSB0:CTS", SerialContact(port="/dev/ttyUSB0", line="cts")),
        ("serial:COM3:ri", SerialContact(port="COM3", line="ri")),
        (
            "serial:/dev/serial/by-path/pci-0:1:dcd",
            SerialContact(port="/dev/serial/by-path/pci-0:1", line="dcd"),
        ),
        ("board:/dev/ttyACM0:3", BoardContact(port="/dev/ttyACM0", name="3")),
        ("gpio:17", GpioContact(pin=17)),
        ("osc:/hall/pad", OscContact(path="/hall/pad")),
        ("mqtt:house/hall pad", MqttContact(topic="house/hall pad")),
    ],
)
def test_every_kind_of_contact(address: str, contact: object) -> None:
    assert parse_contact(address) == contact
    assert parse_contact(f"{address} nc") == contact
    assert not normally_closed(address)
    assert normally_closed(f"{address} nc")
    assert bare(f"{address} nc") == address


def test_an_input_of_the_sound_card() -> None:
    assert parse_contact("input:2") == InputContact(channel=2)


@pytest.mark.parametrize(
    ("address", "light"),
    [
        ("midi-cc:20", MidiControlLight(channel=1, control=20)),
        ("midi-cc:2:20", MidiControlLight(channel=2, control=20)),
        ("dmx:1:512", DmxLight(universe=1, slot=512)),
        ("dmx:63999:1", DmxLight(universe=63999, slot=1)),
        ("board:COM4:eyes", BoardLight(port="COM4", name="eyes")),
        ("osc:[::1]:8000/eyes/left", OscLight(host="[::1]", port=8000, path="/eyes/left")),
    ],
)
def test_every_kind_of_light(address: str, light: object) -> None:
    assert parse_light(address) == light


@pytest.mark.parametrize(
    ("address", "message"),
    [
        ("dmx:0:1", "a universe is a number from 1 to 63999"),
        ("dmx:1:513", "a slot is a number from 1 to 512"),
        ("dmx:1", "a slot is a number"),
        ("osc:/eyes", "does not say where the light is"),
        ("osc:host:0/eyes", "a port is a number from 1 to 65535"),
        ("osc:host:8000/eyes*", "holds no OSC address"),
    ],
)
def test_what_is_no_light_is_said(address: str, message: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_light(address)
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("midi-cc:64 nc", "MIDI controller 64"),
        ("serial:COM3:ri", "the RI line of COM3"),
        ("board:COM3:3", "contact 3 of the board at COM3"),
        ("input:2", "input 2 of the sound card"),
        ("gpio:17", "pin 17"),
        ("osc:/hall/pad", "OSC message /hall/pad"),
        ("mqtt:hall/pad", "MQTT topic hall/pad"),
        ("key:ENTER", "Enter"),
        ("key:f", "F"),
        ("key:1", "1"),
        ("midi:36", "MIDI note 36"),
        ("midi:10:36", "MIDI note 36 on channel 10"),
    ],
)
def test_what_there_is_to_press(address: str, words: str) -> None:
    assert in_words(address) == words


@pytest.mark.parametrize(
    ("one", "two", "both"),
    [
        ("key:Enter", "key:enter", True),
        ("key:1", "key:2", False),
        ("midi:36", "midi:10:36", True),
        ("midi:1:36", "midi:36", True),
        ("midi:1:36", "midi:2:36", False),
        ("midi:36", "midi:37", False),
        ("midi:1", "key:1", False),
        ("midi-cc:64", "midi-cc:2:64 nc", True),
        ("midi-cc:64", "midi:64", False),
        ("gpio:17", "gpio:17 nc", True),
        ("serial:COM3:cts", "serial:COM3:dsr", False),
    ],
)
def test_contacts_that_one_press_can_close(one: str, two: str, both: bool) -> None:
    assert overlap(one, two) == overlap(two, one) == both


@pytest.mark.parametrize(
    ("address", "message"),
    [
        ("space", '"space" is not a contact. Write a key'),
        ("", '"" is not a contact'),
        ("key:", '"key:" names no key'),
        ("key:ctrl", "Write one letter, one digit, or space, enter or tab"),
        ("midi:", '"midi:" is not a MIDI note'),
        ("midi:128", "note 128 does not exist"),
        ("midi:-1", '"midi:-1" is not a MIDI note'),
        ("midi:C4", '"midi:C4" is not a MIDI note'),
        ("midi:17:60", "MIDI channels go from 1 to 16, not 17"),
        ("midi:0:60", "MIDI channels go from 1 to 16, not 0"),
        ("midi:1:2:3", '"midi:1:2:3" is not a MIDI note'),
        ("key:f nc", 'a key is open at rest. Write "key:f"'),
        ("serial:cts", "does not say which port and line"),
        ("serial:COM3:rts", "cts or dsr or dcd or ri"),
        ("board:COM3:", "a name of small letters and digits"),
        ("input:1 nc", 'Write "input:1"'),
        ("input:0", "an input is a number from 1 to 64"),
        ("gpio:54", "a pin is a number from 0 to 53"),
        ("osc:hall", "holds no OSC address"),
        ("osc://", "holds no OSC address"),
        ("mqtt:hall/+", "names no MQTT topic"),
        ("midi:" + "9" * 5000, "is not a MIDI note"),
        ("midi:٣", "is not a MIDI note"),
    ],
)
def test_what_is_no_contact_is_said(address: str, message: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_contact(address)
    assert message in str(caught.value)


@given(st.text(max_size=20))
def test_any_text_is_parsed_or_refused_with_a_sentence(text: str) -> None:
    for parse in (parse_contact, parse_light):
        said = ""
        try:
            parse(text)
        except InputError as problem:
            said = str(problem)
        assert not said or "Write" in said


def test_a_key_is_no_light() -> None:
    with pytest.raises(InputError, match=r'"key:space" is not a light\. Write a MIDI note'):
        parse_light("key:space")


def test_a_listening_microphone_is_no_switch() -> None:
    assert parse_contact("microphone:2") == MicrophoneContact(channel=2)
    assert in_words("microphone:2") == "the microphone at input 2 of the sound card"
    assert parse_switch("input:2") == InputContact(channel=2)
    with pytest.raises(InputError, match=r'can be nothing but its pop_contact. Write "input:2"'):
        parse_switch("microphone:2")
    for wrong in ("microphone:0", "microphone:", "microphone:1 nc"):
        with pytest.raises(InputError, match=r'Write it as in "microphone:1"|a microphone is never closed'):
            parse_contact(wrong)


def test_an_input_holds_a_contact_or_a_microphone() -> None:
    assert overlap("input:1", "microphone:1")
    assert not overlap("input:1", "microphone:2")
    assert overlap("microphone:2", "microphone:2")
