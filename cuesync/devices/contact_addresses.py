"""How a scene names a contact: `key:space`, `midi:60`, `gpio:17 nc`.

Pure functions, but that `overlap` looks where links to ports lead. The word before the first colon is the
kind of device; what follows is that device's own affair. A contact that is closed at rest and opens to mean
something ends in ` nc`, the trade's "normally closed".
MIDI channels count from 1 as on every panel, notes and controllers from 0 to 127 (MIDI 1.0); a controller
is closed from 64 on, as MIDI 1.0 has it of switches.
"""

from __future__ import annotations

import string
from collections.abc import Callable
from dataclasses import dataclass, replace

from cuesync.devices.address_parts import midi_numbers, number_in, osc_path, port_and
from cuesync.devices.port_paths import real_port
from cuesync.errors import InputError

NAMED_KEYS = {"space": " ", "enter": "\r", "tab": "\t"}
LETTER_KEYS = frozenset(string.ascii_lowercase + string.digits)
SERIAL_INPUTS = ("cts", "dsr", "dcd", "ri")
NORMALLY_CLOSED = " nc"

CONTACTS_ALLOWED = (
    'Write a key ("key:space", "key:f"), a MIDI note ("midi:60" on any channel, "midi:10:60" on channel 10) '
    'or controller ("midi-cc:64"), a line of a serial adapter ("serial:/dev/ttyUSB0:cts"), a contact of a '
    'microcontroller ("board:/dev/ttyACM0:3"), an input of the sound card ("input:1"), a pin ("gpio:17"), '
    'or a message from the network ("osc:/hall/pad", "mqtt:hall/pad"). Add " nc" where it is closed at rest. '
    'A pop_contact may also be a listening microphone ("microphone:1").'
)


def _on_channel(channel: int | None) -> str:
    return "" if channel is None else f" on channel {channel}"


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyContact:
    """A key of the terminal: a letter, a digit, `space`, `enter` or `tab`."""

    key: str

    @property
    def words(self) -> str:
        return self.key.capitalize()


@dataclass(frozen=True, slots=True, kw_only=True)
class MidiContact:
    """A MIDI note; `channel` is None where any channel will do."""

    channel: int | None
    note: int

    @property
    def words(self) -> str:
        return f"MIDI note {self.note}{_on_channel(self.channel)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class MidiControlContact:
    """A MIDI controller, closed from 64 on; `channel` is None where any channel will do."""

    channel: int | None
    control: int

    @property
    def words(self) -> str:
        return f"MIDI controller {self.control}{_on_channel(self.channel)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialContact:
    """A bare button at a serial adapter: an input line (`cts`, `dsr`, `dcd`, `ri`) that RTS or DTR feeds."""

    port: str
    line: str

    @property
    def words(self) -> str:
        return f"the {self.line.upper()} line of {self.port}"


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardContact:
    """A contact of a microcontroller on a serial port, by the name that it sends."""

    port: str
    name: str

    @property
    def words(self) -> str:
        return f"contact {self.name} of the board at {self.port}"


@dataclass(frozen=True, slots=True, kw_only=True)
class InputContact:
    """A contact across an input of the sound card; channels count from 1."""

    channel: int

    @property
    def words(self) -> str:
        return f"input {self.channel} of the sound card"


@dataclass(frozen=True, slots=True, kw_only=True)
class MicrophoneContact:
    """A microphone at an input of the sound card that listens for the pop; channels count from 1."""

    channel: int

    @property
    def words(self) -> str:
        return f"the microphone at input {self.channel} of the sound card"


@dataclass(frozen=True, slots=True, kw_only=True)
class GpioContact:
    """A pin of a small board computer, in Broadcom's numbering, closed when it is pulled to ground."""

    pin: int

    @property
    def words(self) -> str:
        return f"pin {self.pin}"


@dataclass(frozen=True, slots=True, kw_only=True)
class OscContact:
    """An OSC address pattern's plain form, `/hall/pad`; its first argument tells closed from open."""

    path: str

    @property
    def words(self) -> str:
        return f"OSC message {self.path}"


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttContact:
    """An MQTT topic whose payload tells closed from open."""

    topic: str

    @property
    def words(self) -> str:
        return f"MQTT topic {self.topic}"


ContactAddress = (
    KeyContact
    | MidiContact
    | MidiControlContact
    | SerialContact
    | BoardContact
    | InputContact
    | MicrophoneContact
    | GpioContact
    | OscContact
    | MqttContact
)


def normally_closed(address: str) -> bool:
    """Whether this contact is closed at rest."""
    return address.endswith(NORMALLY_CLOSED)


def bare(address: str) -> str:
    """The address without its word on what is normal."""
    return address.removesuffix(NORMALLY_CLOSED)


def parse_contact(address: str) -> ContactAddress:
    """The contact that an address means. InputError says what is allowed."""
    kind, _, rest = bare(address).partition(":")
    parse = _CONTACTS.get(kind)
    if parse is None:
        raise InputError(f'"{address}" is not a contact. {CONTACTS_ALLOWED}')
    contact = parse(address, rest)
    if isinstance(contact, KeyContact) and normally_closed(address):
        raise InputError(f'"{address}": a key is open at rest. Write "{bare(address)}".')
    if isinstance(contact, InputContact) and normally_closed(address):
        raise InputError(
            f'"{address}": the first step in the line counts as a press, whichever way it goes. '
            f'Write "{bare(address)}".'
        )
    if isinstance(contact, MicrophoneContact) and normally_closed(address):
        raise InputError(f'"{address}": a microphone is never closed. Write "{bare(address)}".')
    return contact


def parse_switch(address: str) -> ContactAddress:
    """The contact that an address means, where a listening microphone will not do. InputError as above."""
    contact = parse_contact(address)
    if isinstance(contact, MicrophoneContact):
        raise InputError(
            f'"{address}" listens for the pop of a prop and can be nothing but its pop_contact. Write '
            f'"input:{contact.channel}" for a contact that is wired across that input.'
        )
    return contact


def is_microphone(address: str) -> bool:
    """Whether this contact is a microphone that listens. InputError as `parse_contact`."""
    return isinstance(parse_contact(address), MicrophoneContact)


def in_words(address: str) -> str:
    """What there is to press, for people: "Enter", "MIDI note 36 on channel 10"."""
    return parse_contact(address).words


def overlap(one: str, two: str) -> bool:
    """Whether one press can close both contacts, however they are written. InputError as `parse_contact`."""
    first, second = parse_contact(one), parse_contact(two)
    if isinstance(first, MidiContact) and isinstance(second, MidiContact):
        return first.note == second.note and _same_channel(first.channel, second.channel)
    if isinstance(first, MidiControlContact) and isinstance(second, MidiControlContact):
        return first.control == second.control and _same_channel(first.channel, second.channel)
    inputs = (InputContact, MicrophoneContact)
    if isinstance(first, inputs) and isinstance(second, inputs):
        return first.channel == second.channel
    return at_real_port(first) == at_real_port(second)


def at_real_port(contact: ContactAddress) -> ContactAddress:
    """The same contact, with the port behind the link that its address may name."""
    if isinstance(contact, SerialContact | BoardContact):
        return replace(contact, port=real_port(contact.port))
    return contact


# --- one function a kind: (the whole address, what follows the kind) ------------------------------------


def _key_contact(address: str, rest: str) -> KeyContact:
    key = rest.lower()
    if key in NAMED_KEYS or key in LETTER_KEYS:
        return KeyContact(key=key)
    raise InputError(
        f'"{address}" names no key that cuesync can read. '
        'Write one letter, one digit, or space, enter or tab after "key:".'
    )


def _midi_contact(address: str, rest: str) -> MidiContact:
    channel, note = midi_numbers(address, rest, "note", "any channel")
    return MidiContact(channel=channel, note=note)


def _midi_control_contact(address: str, rest: str) -> MidiControlContact:
    channel, control = midi_numbers(address, rest, "controller", "any channel")
    return MidiControlContact(channel=channel, control=control)


def _serial_contact(address: str, rest: str) -> SerialContact:
    port, line = port_and(address, rest, SERIAL_INPUTS)
    return SerialContact(port=port, line=line)


def _board_contact(address: str, rest: str) -> BoardContact:
    port, name = port_and(address, rest, None)
    return BoardContact(port=port, name=name)


def _input_contact(address: str, rest: str) -> InputContact:
    return InputContact(channel=number_in(address, rest, "an input", 1, 64, "input:1"))


def _microphone_contact(address: str, rest: str) -> MicrophoneContact:
    return MicrophoneContact(channel=number_in(address, rest, "an input", 1, 64, "microphone:1"))


def _gpio_contact(address: str, rest: str) -> GpioContact:
    return GpioContact(pin=number_in(address, rest, "a pin", 0, 53, "gpio:17"))


def _osc_contact(address: str, rest: str) -> OscContact:
    return OscContact(path=osc_path(address, rest, "osc:/hall/pad"))


def _mqtt_contact(address: str, rest: str) -> MqttContact:
    if not rest or not rest.isprintable() or any(wild in rest for wild in "+#\0") or len(rest) > 200:
        raise InputError(
            f'"{address}" names no MQTT topic. Write it without the wildcards + and #, as "mqtt:hall/pad".'
        )
    return MqttContact(topic=rest)


_CONTACTS: dict[str, Callable[[str, str], ContactAddress]] = {
    "key": _key_contact,
    "midi": _midi_contact,
    "midi-cc": _midi_control_contact,
    "serial": _serial_contact,
    "board": _board_contact,
    "input": _input_contact,
    "microphone": _microphone_contact,
    "gpio": _gpio_contact,
    "osc": _osc_contact,
    "mqtt": _mqtt_contact,
}


def _same_channel(one: int | None, two: int | None) -> bool:
    return one is None or two is None or one == two
