"""How a scene names a contact or a light: `key:space`, `midi:60`, `gpio:17 nc`, `dmx:1:17`. Pure functions.

The word before the first colon is the kind of device; what follows is that device's own affair. A contact
that is closed at rest and opens to mean something ends in ` nc`, the trade's "normally closed".
MIDI channels count from 1 as on every panel, notes and controllers from 0 to 127 (MIDI 1.0); a controller
is closed from 64 on, as MIDI 1.0 has it of switches. DMX slots go from 1 to 512 (DMX512-A), universes
from 1 to 63999 (ANSI E1.31).
"""

from __future__ import annotations

import re
import string
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from cuesync.errors import InputError

NAMED_KEYS = {"space": " ", "enter": "\r", "tab": "\t"}
LETTER_KEYS = frozenset(string.ascii_lowercase + string.digits)
SERIAL_INPUTS = ("cts", "dsr", "dcd", "ri")
NORMALLY_CLOSED = " nc"

CONTACTS_ALLOWED = (
    'Write a key ("key:space", "key:f"), a MIDI note ("midi:60" on any channel, "midi:10:60" on channel 10) '
    'or controller ("midi-cc:64"), a line of a serial adapter ("serial:/dev/ttyUSB0:cts"), a contact of a '
    'microcontroller ("board:/dev/ttyACM0:3"), an input of the sound card ("input:1"), a pin ("gpio:17"), '
    'or a message from the network ("osc:/hall/pad", "mqtt:hall/pad"). Add " nc" where it is closed at rest.'
)
LIGHTS_ALLOWED = (
    'Write a MIDI note ("midi:36" on channel 1, "midi:10:36" on channel 10) or controller ("midi-cc:20"), '
    'a DMX slot ("dmx:1:17": universe, slot), an output of a '
    'microcontroller ("board:/dev/ttyACM0:eyes"), or a network address ("osc:10.0.0.5:8000/eyes").'
)
_NAME = re.compile(r"[a-z0-9_]{1,16}")
_OSC_RESERVED = frozenset(" #*,?[]{}")


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
    | GpioContact
    | OscContact
    | MqttContact
)


@dataclass(frozen=True, slots=True, kw_only=True)
class MidiLight:
    """A light that a MIDI note on switches on and a note off switches off."""

    channel: int
    note: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MidiControlLight:
    """A light whose level is a MIDI controller's value."""

    channel: int
    control: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DmxLight:
    """One DMX slot as a dimmer; `slot` counts from 1."""

    universe: int
    slot: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardLight:
    """A light at a microcontroller on a serial port, by the name that it knows."""

    port: str
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OscLight:
    """A light behind OSC over UDP; its level goes out as one float."""

    host: str
    port: int
    path: str


LightAddress = MidiLight | MidiControlLight | DmxLight | BoardLight | OscLight


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
    return contact


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
    return first == second


def parse_light(address: str) -> LightAddress:
    """The light that an address means. InputError says what is allowed."""
    kind, _, rest = address.partition(":")
    parse = _LIGHTS.get(kind)
    if parse is None:
        raise InputError(f'"{address}" is not a light. {LIGHTS_ALLOWED}')
    return parse(address, rest)


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
    channel, note = _midi_numbers(address, rest, "note", "any channel")
    return MidiContact(channel=channel, note=note)


def _midi_control_contact(address: str, rest: str) -> MidiControlContact:
    channel, control = _midi_numbers(address, rest, "controller", "any channel")
    return MidiControlContact(channel=channel, control=control)


def _serial_contact(address: str, rest: str) -> SerialContact:
    port, line = _port_and(address, rest, SERIAL_INPUTS)
    return SerialContact(port=port, line=line)


def _board_contact(address: str, rest: str) -> BoardContact:
    port, name = _port_and(address, rest, None)
    return BoardContact(port=port, name=name)


def _input_contact(address: str, rest: str) -> InputContact:
    return InputContact(channel=_number(address, rest, "an input", 1, 64, "input:1"))


def _gpio_contact(address: str, rest: str) -> GpioContact:
    return GpioContact(pin=_number(address, rest, "a pin", 0, 53, "gpio:17"))


def _osc_contact(address: str, rest: str) -> OscContact:
    return OscContact(path=_osc_path(address, rest, "osc:/hall/pad"))


def _mqtt_contact(address: str, rest: str) -> MqttContact:
    if not rest or not rest.isprintable() or any(wild in rest for wild in "+#\0") or len(rest) > 200:
        raise InputError(
            f'"{address}" names no MQTT topic. Write it without the wildcards + and #, as "mqtt:hall/pad".'
        )
    return MqttContact(topic=rest)


def _midi_light(address: str, rest: str) -> MidiLight:
    channel, note = _midi_numbers(address, rest, "note", "channel 1")
    return MidiLight(channel=1 if channel is None else channel, note=note)


def _midi_control_light(address: str, rest: str) -> MidiControlLight:
    channel, control = _midi_numbers(address, rest, "controller", "channel 1")
    return MidiControlLight(channel=1 if channel is None else channel, control=control)


def _dmx_light(address: str, rest: str) -> DmxLight:
    universe, _, slot = rest.partition(":")
    return DmxLight(
        universe=_number(address, universe, "a universe", 1, 63999, "dmx:1:17"),
        slot=_number(address, slot, "a slot", 1, 512, "dmx:1:17"),
    )


def _board_light(address: str, rest: str) -> BoardLight:
    port, name = _port_and(address, rest, None)
    return BoardLight(port=port, name=name)


def _osc_light(address: str, rest: str) -> OscLight:
    where, slash, path = rest.partition("/")
    host, _, port = where.rpartition(":")
    if not host or not slash:
        raise InputError(
            f'"{address}" does not say where the light is. Write host, port and path, '
            'as "osc:10.0.0.5:8000/eyes".'
        )
    return OscLight(
        host=host,
        port=_number(address, port, "a port", 1, 65535, "osc:10.0.0.5:8000/eyes"),
        path=_osc_path(address, "/" + path, "osc:10.0.0.5:8000/eyes"),
    )


_T = TypeVar("_T")
_Parsers = dict[str, Callable[[str, str], _T]]

_CONTACTS: _Parsers[ContactAddress] = {
    "key": _key_contact,
    "midi": _midi_contact,
    "midi-cc": _midi_control_contact,
    "serial": _serial_contact,
    "board": _board_contact,
    "input": _input_contact,
    "gpio": _gpio_contact,
    "osc": _osc_contact,
    "mqtt": _mqtt_contact,
}
_LIGHTS: _Parsers[LightAddress] = {
    "midi": _midi_light,
    "midi-cc": _midi_control_light,
    "dmx": _dmx_light,
    "board": _board_light,
    "osc": _osc_light,
}


def _same_channel(one: int | None, two: int | None) -> bool:
    return one is None or two is None or one == two


def _is_number(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) <= 5


def _number(address: str, text: str, what: str, lowest: int, highest: int, example: str) -> int:
    if not _is_number(text) or not lowest <= int(text) <= highest:
        raise InputError(
            f'"{address}": {what} is a number from {lowest} to {highest}. Write it as in "{example}".'
        )
    return int(text)


def _midi_numbers(address: str, rest: str, what: str, without: str) -> tuple[int | None, int]:
    """Channel and number; `without` is what an address without a channel means."""
    kind = address.partition(":")[0]
    allowed = f'Write a MIDI {what} from 0 to 127 ("{kind}:60" on {without}, "{kind}:10:60" on channel 10).'
    parts = rest.split(":")
    if len(parts) > 2 or not all(_is_number(part) for part in parts):
        raise InputError(f'"{address}" is not a MIDI {what}. {allowed}')
    number = int(parts[-1])
    channel = int(parts[0]) if len(parts) == 2 else None
    if number > 127:
        raise InputError(f'"{address}": {what} {number} does not exist. {allowed}')
    if channel is not None and not 1 <= channel <= 16:
        raise InputError(f'"{address}": MIDI channels go from 1 to 16, not {channel}. {allowed}')
    return channel, number


def _port_and(address: str, rest: str, names: tuple[str, ...] | None) -> tuple[str, str]:
    """A serial port and what is meant there: one of `names`, or any short name where that is None."""
    port, _, name = rest.rpartition(":")  # a port's own name may hold colons
    name = name.lower()
    known = name in names if names is not None else _NAME.fullmatch(name) is not None
    if port and port.isprintable() and known:
        return port, name
    wanted = " or ".join(names) if names is not None else "a name of small letters and digits"
    kind = address.partition(":")[0]
    example = names[0] if names is not None else "3"
    raise InputError(
        f'"{address}" does not say which port and line. Write the port, a colon, and {wanted}, '
        f'as "{kind}:/dev/ttyUSB0:{example}" or "{kind}:COM3:{example}".'
    )


def _osc_path(address: str, path: str, example: str) -> str:
    """A plain OSC address (OSC 1.0): printable ASCII without the characters that patterns use."""
    parts = path.split("/")
    plain = path.isascii() and path.isprintable() and not _OSC_RESERVED & set(path)
    if len(path) > 200 or not plain or parts[0] or not all(parts[1:]) or len(parts) < 2:
        raise InputError(
            f'"{address}" holds no OSC address. Write one as in "{example}", without # * , ? [ ] {{ }}.'
        )
    return path
