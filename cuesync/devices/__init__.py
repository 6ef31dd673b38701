"""The only room that touches hardware: contacts, lights, sound, and their simulated twins."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from cuesync.errors import DeviceError

if TYPE_CHECKING:
    from cuesync.devices.midi import MidiPort
    from cuesync.devices.sound_cards import SoundDevice

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceList:
    """What is plugged in. Where a list is empty, the sentence of the same name says why and what to do."""

    sound_outputs: tuple[SoundDevice, ...]
    sound_inputs: tuple[SoundDevice, ...]
    midi_inputs: tuple[MidiPort, ...]
    midi_outputs: tuple[MidiPort, ...]
    no_sound_outputs: str
    no_sound_inputs: str
    no_midi_inputs: str
    no_midi_outputs: str


def list_devices() -> DeviceList:
    """Look at everything that is plugged in now; never raises for what is missing."""
    from cuesync.devices.midi import midi_ports
    from cuesync.devices.sound_cards import REHEARSE_INSTEAD, sound_devices

    sound, no_sound = _look(sound_devices)
    outputs = tuple(device for device in sound if device.outputs)
    inputs = tuple(device for device in sound if device.inputs)
    midi_inputs, no_midi_inputs = _look(lambda: midi_ports("in"))
    midi_outputs, no_midi_outputs = _look(lambda: midi_ports("out"))
    no_ports = "No MIDI interface is plugged in, or its system is not running."
    return DeviceList(
        sound_outputs=outputs,
        sound_inputs=inputs,
        midi_inputs=midi_inputs,
        midi_outputs=midi_outputs,
        no_sound_outputs="" if outputs else no_sound or f"No sound card is plugged in. {REHEARSE_INSTEAD}",
        no_sound_inputs="" if inputs else no_sound or "No sound card with an input is plugged in.",
        no_midi_inputs="" if midi_inputs else no_midi_inputs or no_ports,
        no_midi_outputs="" if midi_outputs else no_midi_outputs or no_ports,
    )


def _look(look: Callable[[], tuple[_T, ...]]) -> tuple[tuple[_T, ...], str]:
    try:
        return look(), ""
    except DeviceError as problem:
        return (), str(problem)
