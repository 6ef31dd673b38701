"""Addresses of contacts and lights. MIDI notes 0–127 and channels 1–16: MIDI 1.0."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices.addresses import (
    KeyContact,
    MidiContact,
    MidiLight,
    in_words,
    overlap,
    parse_contact,
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
    ("address", "words"),
    [
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
