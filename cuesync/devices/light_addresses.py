"""How a scene names a light: `midi:36`, `dmx:1:17`, `osc:10.0.0.5:8000/eyes`. Pure functions.

The word before the first colon is the kind of device; what follows is that device's own affair.
MIDI channels count from 1 as on every panel, notes and controllers from 0 to 127 (MIDI 1.0). DMX slots go
from 1 to 512 (DMX512-A), universes from 1 to 63999 (ANSI E1.31).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from cuesync.devices.address_parts import midi_numbers, number_in, osc_path, port_and
from cuesync.errors import InputError

_LONGEST_NAME = 40

LIGHTS_ALLOWED = (
    'Write a MIDI note ("midi:36" on channel 1, "midi:10:36" on channel 10) or controller ("midi-cc:20"), '
    'a DMX slot ("dmx:1:17": universe, slot), a fixture that the scene describes ("fixture:wash"), an output '
    'of a microcontroller ("board:/dev/ttyACM0:eyes"), or a network address ("osc:10.0.0.5:8000/eyes").'
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
class FixtureLight:
    """A fixture on several DMX slots, by the name under which a scene describes it."""

    name: str


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


LightAddress = MidiLight | MidiControlLight | DmxLight | FixtureLight | BoardLight | OscLight


def parse_light(address: str) -> LightAddress:
    """The light that an address means. InputError says what is allowed."""
    kind, _, rest = address.partition(":")
    parse = _LIGHTS.get(kind)
    if parse is None:
        raise InputError(f'"{address}" is not a light. {LIGHTS_ALLOWED}')
    return parse(address, rest)


# --- one function a kind: (the whole address, what follows the kind) ------------------------------------


def _midi_light(address: str, rest: str) -> MidiLight:
    channel, note = midi_numbers(address, rest, "note", "channel 1")
    return MidiLight(channel=1 if channel is None else channel, note=note)


def _midi_control_light(address: str, rest: str) -> MidiControlLight:
    channel, control = midi_numbers(address, rest, "controller", "channel 1")
    return MidiControlLight(channel=1 if channel is None else channel, control=control)


def _dmx_light(address: str, rest: str) -> DmxLight:
    universe, _, slot = rest.partition(":")
    return DmxLight(
        universe=number_in(address, universe, "a universe", 1, 63999, "dmx:1:17"),
        slot=number_in(address, slot, "a slot", 1, 512, "dmx:1:17"),
    )


def _fixture_light(address: str, rest: str) -> FixtureLight:
    if not 0 < len(rest) <= _LONGEST_NAME or not rest.isprintable() or rest != rest.strip():
        raise InputError(
            f'"{address}" names no fixture. Its name has 1 to {_LONGEST_NAME} letters, as in "fixture:wash".'
        )
    return FixtureLight(name=rest)


def _board_light(address: str, rest: str) -> BoardLight:
    port, name = port_and(address, rest, None)
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
        port=number_in(address, port, "a port", 1, 65535, "osc:10.0.0.5:8000/eyes"),
        path=osc_path(address, "/" + path, "osc:10.0.0.5:8000/eyes"),
    )


_LIGHTS: dict[str, Callable[[str, str], LightAddress]] = {
    "midi": _midi_light,
    "midi-cc": _midi_control_light,
    "dmx": _dmx_light,
    "fixture": _fixture_light,
    "board": _board_light,
    "osc": _osc_light,
}
