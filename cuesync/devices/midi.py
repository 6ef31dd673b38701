"""MIDI notes and controllers as contacts and as lights, and messages to other gear, through python-rtmidi.

A note on is a closed contact, a note off (or a note on with velocity 0) an open one; a controller is closed
from 64 on, as MIDI 1.0 has it of switches. What a controller says first may be no more than how it stands
(see `NoteReader`). What ends all notes of a channel opens its contacts, and is never a press.

The moment is taken on entry to the driver's callback. A port is named by a part of its name, or
`NAME / SYSTEM` (ALSA, JACK, …) where several systems know it. A port that vanishes is not reported by the
driver, so `alive` looks for its name.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import Any, Literal

from cuesync.devices.contact_addresses import MidiContact, MidiControlContact, parse_contact
from cuesync.devices.light_addresses import MidiControlLight, MidiLight, parse_light
from cuesync.devices.naming import index_meant
from cuesync.devices.ports import Clock, ContactEdge, Counts, EdgeSink, HostClock, LightCommand, counts
from cuesync.devices.quiet import quiet_stderr
from cuesync.devices.switching_off import switch_off
from cuesync.errors import DeviceError

Direction = Literal["in", "out"]
_FULL = 127
_SWITCHED_ON_FROM = 64
_LOOK_EVERY_S = 0.5
_REPORTS_WITHIN_S = 2.0
# MIDI 1.0: all sound off; all notes off, which the four modes of a channel imply
_NOTES_END = frozenset((120, 123, 124, 125, 126, 127))


@dataclass(frozen=True, slots=True, kw_only=True)
class MidiPort:
    """One port as a system (`ALSA`, `JACK`, `Core MIDI`, `Windows`) names it."""

    name: str
    system: str
    index: int

    @property
    def label(self) -> str:
        return f"{self.name} / {self.system}"


def _libraries() -> tuple[Any, Any]:
    try:
        mido, rtmidi = import_module("mido"), import_module("rtmidi")
    except ImportError as problem:
        raise DeviceError(
            'MIDI needs two more packages. Install them with: pip install "cuesync[midi]"'
        ) from problem
    return rtmidi, mido


def _systems(rtmidi: Any) -> dict[str, int]:
    names = {
        rtmidi.API_LINUX_ALSA: "ALSA",
        rtmidi.API_UNIX_JACK: "JACK",
        rtmidi.API_MACOSX_CORE: "Core MIDI",
        rtmidi.API_WINDOWS_MM: "Windows",
    }
    return {names[api]: api for api in rtmidi.get_compiled_api() if api in names}


def _client(direction: Direction, api: int, name: str) -> Any:
    rtmidi, _ = _libraries()
    with quiet_stderr():
        return (rtmidi.MidiIn if direction == "in" else rtmidi.MidiOut)(api, name)


def midi_ports(direction: Direction) -> tuple[MidiPort, ...]:
    """Every MIDI port that a note can come from ("in") or go to ("out").

    DeviceError where MIDI is not installed; a system that is not running has no ports.
    """
    rtmidi, _ = _libraries()
    found: list[MidiPort] = []
    for system, api in _systems(rtmidi).items():
        try:
            client = _client(direction, api, "cuesync list")
        except Exception:
            continue
        names = client.get_ports()
        client.delete()
        found += [MidiPort(name=name, system=system, index=index) for index, name in enumerate(names)]
    return tuple(found)


def choose_port(ports: Sequence[MidiPort], wanted: str | None, direction: Direction) -> MidiPort:
    """The one port that is meant; None takes the only one there is. DeviceError with the choices."""
    option = f"--midi-{direction}"
    choices = ", ".join(f'"{port.label}"' for port in ports)
    if not ports:
        raise DeviceError(
            f"there is no MIDI port to {'listen to' if direction == 'in' else 'send to'}. "
            'Plug the interface in; see "cuesync devices".'
        )
    if wanted is None:
        if len(ports) == 1:
            return ports[0]
        raise DeviceError(f"there are several MIDI ports. Say which with {option}: {choices}.")
    labels = {index: (port.name, port.label) for index, port in enumerate(ports)}
    return ports[index_meant(labels, wanted, "MIDI port")]


class _Port:
    """An open client and whether its port is still there."""

    def __init__(
        self, direction: Direction, wanted: str | None, virtual_system: str | None, clock: Clock
    ) -> None:
        rtmidi, _ = _libraries()
        self._clock = clock
        self._looked_s = clock.now_s()
        self.there = True
        self.port: MidiPort | None = None
        systems = _systems(rtmidi)
        name = "cuesync contacts" if direction == "in" else "cuesync lights"
        try:
            if virtual_system is not None:
                self.client: Any = _client(direction, systems[virtual_system], name)
                self.client.open_virtual_port("notes")
            else:
                self.port = choose_port(midi_ports(direction), wanted, direction)
                self.client = _client(direction, systems[self.port.system], name)
                self.client.open_port(self.port.index, "notes")
        except DeviceError:
            raise
        except Exception as problem:  # rtmidi raises classes of its own
            label = "of our own" if self.port is None else f'"{self.port.label}"'
            raise DeviceError(
                f"the MIDI port {label} does not open: {problem}. Close other programs that use it."
            ) from problem

    @property
    def name(self) -> str:
        return "notes" if self.port is None else self.port.label

    def alive(self) -> bool:
        now_s = self._clock.now_s()
        if self.client is not None and self.port is not None and now_s - self._looked_s >= _LOOK_EVERY_S:
            self._looked_s = now_s
            self.there = self.port.name in self.client.get_ports()
        return self.client is not None and self.there

    def close(self) -> None:
        client, self.client = self.client, None
        if client is not None:
            client.close_port()
            client.delete()


class NoteReader:
    """Turns the bytes of one MIDI input into edges; takes the moment first of all.

    Devices report how their controllers stand as they are plugged in or switched on. So what a controller
    says first is `found` while the port has been open for less than 2 s, and below 64 later as well; from 64
    on it is then an edge, as a controller that nobody heard of is off (MIDI 1.0).
    """

    def __init__(self, contacts: Sequence[str], sink: EdgeSink, clock: Clock) -> None:
        _, self._mido = _libraries()
        self._clock = clock
        self._sink = sink
        parsed = [(address, parse_contact(address)) for address in contacts]
        self._notes = [(address, contact) for address, contact in parsed if isinstance(contact, MidiContact)]
        self._controls = [
            (address, contact) for address, contact in parsed if isinstance(contact, MidiControlContact)
        ]
        self._sounding: dict[str, set[int]] = {address: set() for address, _ in self._notes}  # on channels
        self._closed: dict[str, bool] = {}
        self._reports_until_s = clock.now_s() + _REPORTS_WITHIN_S
        self.discarded = Counter[str]()

    def arrived(self, event: tuple[Sequence[int], float], _data: object = None) -> None:
        """What rtmidi calls, with (bytes, time since the last message)."""
        at_s = self._clock.now_s()
        try:
            message = self._mido.Message.from_bytes(event[0])
        except (ValueError, TypeError, IndexError, KeyError):
            self.discarded["malformed messages"] += 1
            return
        used = False
        if message.type in ("note_on", "note_off"):
            used = self._note(message, at_s)
        elif message.type == "control_change":
            used = self._control(message, at_s)
            if message.control in _NOTES_END:
                used = self._end_notes((message.channel,), at_s) or used
        elif message.type == "reset":
            used = self._end_notes(range(16), at_s)
        if not used:
            self.discarded["messages for no contact"] += 1

    def _note(self, message: Any, at_s: float) -> bool:
        closed = message.type == "note_on" and message.velocity > 0
        used = False
        for address, contact in self._notes:
            if contact.note == message.note and contact.channel in (None, message.channel + 1):
                used = True
                if closed:
                    self._sounding[address].add(message.channel)
                else:
                    self._sounding[address].discard(message.channel)
                self._sink(ContactEdge(contact=address, closed=closed, at_s=at_s))
        return used

    def _end_notes(self, channels: Iterable[int], at_s: float) -> bool:
        ended = [address for address, sounding in self._sounding.items() if sounding.intersection(channels)]
        for address in ended:
            self._sounding[address].clear()
            self._sink(ContactEdge(contact=address, closed=False, at_s=at_s, found=True))
        return bool(ended)

    def _control(self, message: Any, at_s: float) -> bool:
        closed = message.value >= _SWITCHED_ON_FROM
        used = False
        for address, control in self._controls:
            if control.control != message.control or control.channel not in (None, message.channel + 1):
                continue
            used = True
            before = self._closed.get(address)
            if closed != before:  # a pedal sends every step of its way
                self._closed[address] = closed
                found = before is None and (not closed or at_s < self._reports_until_s)
                self._sink(ContactEdge(contact=address, closed=closed, at_s=at_s, found=found))
        return used


class MidiContacts:
    """Notes of one MIDI input as contacts.

    `virtual_system` ("ALSA", "JACK", "Core MIDI") makes a port of our own that others connect to.
    """

    def __init__(
        self, wanted: str | None = None, *, virtual_system: str | None = None, clock: Clock | None = None
    ) -> None:
        self._wanted = wanted
        self._virtual_system = virtual_system
        self._clock: Clock = HostClock() if clock is None else clock
        self._port: _Port | None = None
        self._reader: NoteReader | None = None
        self._discarded = Counter[str]()  # up to the last closing

    @property
    def name(self) -> str:
        return "" if self._port is None else self._port.name

    @property
    def discarded(self) -> Counts:
        return counts(self._discarded if self._reader is None else self._discarded + self._reader.discarded)

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:
        self._port = _Port("in", self._wanted, self._virtual_system, self._clock)
        self._reader = NoteReader(contacts, sink, self._clock)
        self._port.client.set_callback(self._reader.arrived)

    def alive(self) -> bool:
        return self._port is not None and self._port.alive()

    def close(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            port.client.cancel_callback()
            port.close()
        self._discarded, self._reader = Counter(self.discarded), None


def light_bytes(command: LightCommand) -> list[int]:
    """A light command as the three bytes of a note on, a note off or a control change."""
    _, mido = _libraries()
    light = parse_light(command.light)
    value = round(command.level * _FULL)
    if isinstance(light, MidiControlLight):
        message = mido.Message(
            "control_change", channel=light.channel - 1, control=light.control, value=value
        )
    else:
        assert isinstance(light, MidiLight), command.light
        message = mido.Message(
            "note_on" if command.on else "note_off",
            channel=light.channel - 1,
            note=light.note,
            velocity=max(value, 1) if command.on else 0,
        )
    return list(message.bytes())


class MidiLights:
    """Lights on one MIDI output: note on (velocity the level) and note off, or a controller's value.

    Messages to other gear go the same way.
    """

    def __init__(
        self, wanted: str | None = None, *, virtual_system: str | None = None, clock: Clock | None = None
    ) -> None:
        self._port = _Port("out", wanted, virtual_system, HostClock() if clock is None else clock)
        self._used: dict[str, None] = {}

    @property
    def name(self) -> str:
        return self._port.name

    def send(self, command: LightCommand) -> None:
        data = light_bytes(command)
        self._used[command.light] = None
        self.send_message(bytes(data))

    def send_message(self, data: bytes) -> None:
        client = self._port.client
        if client is None or not self._port.there:  # alive() would take time to look
            raise DeviceError(f'the MIDI port "{self.name}" is gone. Plug it in again.')
        try:
            client.send_message(data)
        except Exception as problem:  # rtmidi raises classes of its own
            raise DeviceError(f'the MIDI port "{self.name}" does not take messages: {problem}.') from problem

    def all_off(self) -> None:
        switch_off(self._used, self.send)

    def alive(self) -> bool:
        return self._port.alive()

    def close(self) -> None:
        try:
            if self._port.client is not None:
                self.all_off()
        finally:
            self._port.close()
