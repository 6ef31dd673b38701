"""`cuesync devices`."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from cuesync.cli.common import json_option, print_json

if TYPE_CHECKING:
    from cuesync.devices.midi import MidiPort
    from cuesync.devices.sound_cards import SoundDevice


@click.command("devices")
@json_option
def command(as_json: bool) -> None:
    """List sound devices and MIDI ports by the names that --device, --midi-in and --midi-out take."""
    from cuesync.devices import list_devices

    found = list_devices()
    if as_json:
        print_json(asdict(found))
        return
    _print("Sound out (--device)", [_sound(device) for device in found.sound_outputs], found.no_sound_outputs)
    _print(
        "Sound in (for measuring)", [_heard(device) for device in found.sound_inputs], found.no_sound_inputs
    )
    _print("Contacts by MIDI (--midi-in)", [_port(port) for port in found.midi_inputs], found.no_midi_inputs)
    _print("Lights by MIDI (--midi-out)", [_port(port) for port in found.midi_outputs], found.no_midi_outputs)


def _print(heading: str, lines: list[str], none: str) -> None:
    click.echo(f"{heading}:")
    for line in lines or [none]:
        click.echo(f"  {line}")


def _sound(device: SoundDevice) -> str:
    usual = ", used when none is named" if device.default_output else ""
    return (
        f'"{device.label}": {device.outputs} outputs at {device.rate_hz} Hz, late by '
        f"{device.output_latency_s * 1000.0:.0f} ms as it says{usual}"
    )


def _heard(device: SoundDevice) -> str:
    usual = ", used when none is named" if device.default_input else ""
    return f'"{device.label}": {device.inputs} inputs at {device.rate_hz} Hz{usual}'


def _port(port: MidiPort) -> str:
    return f'"{port.label}"'
