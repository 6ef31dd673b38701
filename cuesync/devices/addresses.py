"""How a scene names a contact or a light: `key:space`, `midi:60`, `midi:10:60`. Pure functions.

The word before the first colon is the kind of device; what follows is that device's own affair.
MIDI channels count from 1 as on every panel, notes from 0 to 127 (MIDI 1.0).
"""

from __future__ import annotations

import string
from dataclasses import dataclass

from cuesync.errors import InputError

NAMED_KEYS = {"space": " ", "enter": "\r", "tab": "\t"}
LETTER_KEYS = frozenset(string.ascii_lowercase + string.digits)

CONTACTS_ALLOWED = (
    'Write a key ("key:space", "key:f") or a MIDI note from 0 to 127 '
    '("midi:60" on any channel, "midi:10:60" on channel 10).'
)
LIGHTS_ALLOWED = 'Write a MIDI note from 0 to 127 ("midi:36" on channel 1, "midi:10:36" on channel 10).'


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyContact:
    """A key of the terminal: a letter, a digit, `space`, `enter` or `tab`."""

    key: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MidiContact:
    """A MIDI note; `channel` is None where any channel will do."""

    channel: int | None
    note: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MidiLight:
    """A light that a MIDI note on switches on and a note off switches off."""

    channel: int
    note: int


def parse_contact(address: str) -> KeyContact | MidiContact:
    """The contact that an address means. InputError says what is allowed."""
    kind, _, rest = address.partition(":")
    if kind == "key":
        key = rest.lower()
        if key in NAMED_KEYS or key in LETTER_KEYS:
            return KeyContact(key=key)
        raise InputError(
            f'"{address}" names no key that cuesync can read. '
            'Write one letter, one digit, or space, enter or tab after "key:".'
        )
    if kind == "midi":
        channel, note = _channel_and_note(address, rest, CONTACTS_ALLOWED)
        return MidiContact(channel=channel, note=note)
    raise InputError(f'"{address}" is not a contact. {CONTACTS_ALLOWED}')


def in_words(address: str) -> str:
    """What there is to press, for people: "Enter", "MIDI note 36 on channel 10"."""
    contact = parse_contact(address)
    if isinstance(contact, KeyContact):
        return contact.key.capitalize()
    channel = "" if contact.channel is None else f" on channel {contact.channel}"
    return f"MIDI note {contact.note}{channel}"


def overlap(one: str, two: str) -> bool:
    """Whether one press can close both contacts, however they are written. InputError as `parse_contact`."""
    first, second = parse_contact(one), parse_contact(two)
    if isinstance(first, MidiContact) and isinstance(second, MidiContact):
        any_channel = first.channel is None or second.channel is None
        return first.note == second.note and (any_channel or first.channel == second.channel)
    return first == second


def parse_light(address: str) -> MidiLight:
    """The light that an address means. InputError says what is allowed."""
    kind, _, rest = address.partition(":")
    if kind == "midi":
        channel, note = _channel_and_note(address, rest, LIGHTS_ALLOWED)
        return MidiLight(channel=1 if channel is None else channel, note=note)
    raise InputError(f'"{address}" is not a light. {LIGHTS_ALLOWED}')


def _channel_and_note(address: str, rest: str, allowed: str) -> tuple[int | None, int]:
    parts = rest.split(":")
    if len(parts) > 2 or not all(part.isascii() and part.isdigit() and len(part) <= 3 for part in parts):
        raise InputError(f'"{address}" is not a MIDI note. {allowed}')
    note = int(parts[-1])
    channel = int(parts[0]) if len(parts) == 2 else None
    if note > 127:
        raise InputError(f'"{address}": note {note} does not exist. {allowed}')
    if channel is not None and not 1 <= channel <= 16:
        raise InputError(f'"{address}": MIDI channels go from 1 to 16, not {channel}. {allowed}')
    return channel, note
