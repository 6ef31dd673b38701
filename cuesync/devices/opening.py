"""Opens what scenes name: for each kind of address the device that it needs.

The only place that knows which module serves which kind; each is imported when it is first needed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from cuesync.devices.contact_addresses import (
    BoardContact,
    ContactAddress,
    GpioContact,
    InputContact,
    KeyContact,
    MicrophoneContact,
    MidiContact,
    MidiControlContact,
    MqttContact,
    OscContact,
    SerialContact,
    at_real_port,
    parse_contact,
)
from cuesync.devices.fixtures import Fixture
from cuesync.devices.light_addresses import (
    BoardLight,
    DmxLight,
    FixtureLight,
    MidiControlLight,
    MidiLight,
    OscLight,
    parse_light,
)
from cuesync.devices.lights_together import MIDI_PORT, LightsPart, LightsTogether
from cuesync.devices.microphone import Microphones
from cuesync.devices.output_addresses import BoardOutput, parse_output
from cuesync.devices.polarity import WithPolarity
from cuesync.devices.ports import Clock, ContactSource, LightOutput, PropOutput


@dataclass(frozen=True, slots=True, kw_only=True)
class PortSettings:
    """What the user says of the ports, beside what the scenes name.

    `midi_in`, `midi_out`: names or parts of names (see `cuesync devices`). `midi_system` ("JACK", "ALSA",
    "Core MIDI") makes MIDI ports of our own for others to connect to. `keyboard_fd`: the terminal's file
    descriptor, None for standard input. `osc_listen`: "HOST:PORT" to listen at for OSC, `osc_allow` the
    senders that count. `e131_to`, `e131_priority`: where DMX goes, as for `e131.E131Sender`.
    `mqtt_broker`: "HOST:PORT", with a user and a file that holds the password.
    `sound_input`: the sound card that `input:1` … and `microphone:1` … are on.
    """

    midi_in: str | None = None
    midi_out: str | None = None
    midi_system: str | None = None
    keyboard_fd: int | None = None
    osc_listen: str | None = None
    osc_allow: tuple[str, ...] = ()
    e131_to: str = "127.0.0.1"
    e131_priority: int = 100
    mqtt_broker: str | None = None
    mqtt_user: str | None = None
    mqtt_password_file: Path | None = None
    sound_input: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NeededSource:
    """A contact source that is not open yet, with the contacts it is for; `name` is for people.

    `microphones`: who tells what the listening microphones among the contacts hear.
    """

    name: str
    contacts: tuple[str, ...]
    source: ContactSource
    microphones: Microphones | None = None


def contact_sources(
    contacts: Iterable[str], settings: PortSettings, clock: Clock
) -> tuple[NeededSource, ...]:
    """The sources for these contacts, one for each device; addresses as the scenes write them."""
    groups: dict[str, list[str]] = {}
    for contact in dict.fromkeys(contacts):
        groups.setdefault(_device_of(at_real_port(parse_contact(contact))), []).append(contact)
    return tuple(_needed(group, settings, clock) for group in groups.values())


def _needed(contacts: list[str], settings: PortSettings, clock: Clock) -> NeededSource:
    first = parse_contact(contacts[0])
    source = _contact_source(first, settings, clock)
    return NeededSource(
        name=_device_of(first),
        contacts=tuple(contacts),
        source=WithPolarity(source),
        microphones=source if isinstance(source, Microphones) else None,
    )


def _device_of(contact: ContactAddress) -> str:  # noqa: PLR0911  one a kind
    """The device that a contact hangs on, in words; contacts with the same words share one source."""
    match contact:
        case KeyContact():
            return "keyboard"
        case MidiContact() | MidiControlContact():
            return "MIDI port"
        case OscContact():
            return "OSC"
        case MqttContact():
            return "MQTT broker"
        case GpioContact():
            return "pins"
        case InputContact() | MicrophoneContact():
            return "sound card's input"
        case SerialContact():
            return f"serial port {contact.port}"
        case BoardContact():
            return f"board at {contact.port}"
        case _:
            raise AssertionError(contact)


def _contact_source(  # noqa: PLR0911  one a kind
    contact: ContactAddress, settings: PortSettings, clock: Clock
) -> ContactSource:
    match contact:
        case KeyContact():
            from cuesync.devices.keyboard import KeyboardContacts

            return KeyboardContacts(settings.keyboard_fd, clock=clock)
        case MidiContact() | MidiControlContact():
            from cuesync.devices.midi import MidiContacts

            return MidiContacts(settings.midi_in, virtual_system=settings.midi_system, clock=clock)
        case OscContact():
            from cuesync.devices.osc import OscContacts

            return OscContacts(settings.osc_listen, allow=settings.osc_allow, clock=clock)
        case MqttContact():
            from cuesync.devices.mqtt import MqttContacts

            return MqttContacts(
                settings.mqtt_broker,
                user=settings.mqtt_user,
                password_file=settings.mqtt_password_file,
                clock=clock,
            )
        case GpioContact():
            from cuesync.devices.gpio import GpioContacts

            return GpioContacts(clock=clock)
        case InputContact() | MicrophoneContact():
            from cuesync.devices.sound_input import InputContacts

            return InputContacts(settings.sound_input, clock=clock)
        case SerialContact():
            from cuesync.devices.serial_line import SerialContacts

            return SerialContacts(contact.port, clock=clock)
        case BoardContact():
            from cuesync.devices.board import BoardContacts

            return BoardContacts(contact.port, clock=clock)
        case _:
            raise AssertionError(contact)


def light_output(
    settings: PortSettings,
    clock: Clock,
    lights: Iterable[str],
    fixtures: Iterable[Fixture] = (),
    messages: Iterable[str] = (),
) -> LightsTogether:
    """One output for all these lights, each on its own device. DeviceError where one is not there.

    `fixtures` are those that the lights refer to; `messages` what goes to other gear, in words.
    """
    described, others = tuple(fixtures), tuple(dict.fromkeys(messages))
    groups: dict[str, list[str]] = {}
    for light in dict.fromkeys(lights):
        groups.setdefault(_light_device_of(light), []).append(light)
    if others:
        groups.setdefault(MIDI_PORT, [])
    parts: list[LightsPart] = []
    try:
        for device, group in groups.items():
            open_it = partial(_light_output, device, tuple(group), settings, clock, described)
            part = LightsPart(name=device, lights=tuple(group), open=open_it, output=open_it())
            part.messages = others if device == MIDI_PORT else ()
            parts.append(part)
    except BaseException:
        LightsTogether(parts, _light_device_of).close()
        raise
    return LightsTogether(parts, _light_device_of)


def prop_output(address: str, max_on_s: float, clock: Clock) -> PropOutput:
    """The output at this address, which starts a prop. DeviceError where it is not there.

    A board drops it by itself and shares its port with contacts; all else gets a process that drops it.
    """
    match output := parse_output(address):
        case BoardOutput():
            from cuesync.devices.board import BoardSwitch

            return BoardSwitch(output.port, output.name, clock=clock)
        case _:
            from cuesync.devices.switch_process import SwitchProcess

            return SwitchProcess(address, max_on_s)


def _light_device_of(light: str) -> str:
    """The device that a light hangs on, in words; lights with the same words share one output."""
    match address := parse_light(light):
        case MidiLight() | MidiControlLight():
            return MIDI_PORT
        case OscLight():
            return "OSC"
        case DmxLight() | FixtureLight():
            return "DMX"
        case BoardLight():
            return f"board at {address.port}"
        case _:
            raise AssertionError(light)


def _light_output(
    device: str,
    lights: tuple[str, ...],
    settings: PortSettings,
    clock: Clock,
    fixtures: tuple[Fixture, ...],
) -> LightOutput:
    if device == MIDI_PORT:
        from cuesync.devices.midi import MidiLights

        return MidiLights(settings.midi_out, virtual_system=settings.midi_system, clock=clock)
    match address := parse_light(lights[0]):
        case OscLight():
            from cuesync.devices.osc import OscLights

            return OscLights(lights)
        case DmxLight() | FixtureLight():
            from cuesync.devices.dmx import DmxLights

            return DmxLights(settings.e131_to, fixtures, priority=settings.e131_priority)
        case BoardLight():
            from cuesync.devices.board import BoardLights

            return BoardLights(address.port, clock=clock)
        case _:
            raise AssertionError(lights)
