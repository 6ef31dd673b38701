"""`cuesync devices`."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from cuesync.cli.common import json_option, print_json, tell

if TYPE_CHECKING:
    from cuesync.devices.midi import MidiPort
    from cuesync.devices.sound_cards import SoundDevice


@click.command("devices")
@json_option
def command(as_json: bool) -> None:
    """List sound devices and MIDI ports by the names that --device, --midi-in and --midi-out take.

    The latency is that of the device's stream, with which cuesync run plans where a scene has no
    output_latency_ms. It is asked only of the device that is used when none is named; nothing is played.
    """
    from cuesync.devices import list_devices

    found = list_devices()
    latencies_s = [_latency_s(device) if device.default_output else None for device in found.sound_outputs]
    if as_json:
        outputs = [
            asdict(device) | {"output_latency_s": latency_s}
            for device, latency_s in zip(found.sound_outputs, latencies_s, strict=True)
        ]
        print_json(asdict(found) | {"sound_outputs": outputs})
        return
    sounds = [
        _sound(device, latency_s) for device, latency_s in zip(found.sound_outputs, latencies_s, strict=True)
    ]
    _print("Sound out (--device)", sounds, found.no_sound_outputs)
    if sounds:
        tell(
            "  A scene without output_latency_ms is planned with the latency as reported; of another device, "
            "cuesync run says it at its start."
        )
    _print(
        "Sound in (for measuring)", [_heard(device) for device in found.sound_inputs], found.no_sound_inputs
    )
    _print("Contacts by MIDI (--midi-in)", [_port(port) for port in found.midi_inputs], found.no_midi_inputs)
    _print("Lights by MIDI (--midi-out)", [_port(port) for port in found.midi_outputs], found.no_midi_outputs)


def _print(heading: str, lines: list[str], none: str) -> None:
    click.echo(f"{heading}:")
    for line in lines or [none]:
        tell(f"  {line}")


def _latency_s(device: SoundDevice) -> float | None:
    """What a stream on this device reports, as in a show; None where it can't be opened.

    The latency in the list of devices is another number, on some systems twice this one.
    """
    from cuesync.devices.portaudio import PortAudioOutput
    from cuesync.devices.quiet import quiet_stderr
    from cuesync.errors import DeviceError

    try:
        with quiet_stderr():
            output = PortAudioOutput(device.label, channels=min(2, device.outputs))
            latency_s = output.latency_s
            output.stop()
    except DeviceError:
        return None
    return latency_s


def _sound(device: SoundDevice, latency_s: float | None) -> str:
    text = f'"{device.label}": {device.outputs} outputs at {device.rate_hz} Hz'
    if not device.default_output:
        return text
    latency = (
        "latency not known, as it can't be opened now"
        if latency_s is None
        else f"latency {latency_s * 1000.0:.1f} ms as reported"
    )
    return f"{text}, {latency}, used when none is named"


def _heard(device: SoundDevice) -> str:
    usual = ", used when none is named" if device.default_input else ""
    return f'"{device.label}": {device.inputs} inputs at {device.rate_hz} Hz{usual}'


def _port(port: MidiPort) -> str:
    return f'"{port.label}"'
