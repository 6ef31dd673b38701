"""Which sound cards there are, and which one is meant.

A device is named by a part of its name, or by `NAME / HOST API` where several systems know it; never
by its index, which changes when something is plugged in.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from typing import Any

from cuesync.counted import counted
from cuesync.devices.naming import index_meant
from cuesync.errors import DeviceError

MEASURE_INSTEAD = "Or measure a recording made elsewhere: cuesync measure RECORDING"
REHEARSE_INSTEAD = "Rehearse into a file instead: cuesync rehearse SCENE --out FILE.wav"


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundDevice:
    """One sound device as PortAudio sees it. Latencies as the driver reports them, in seconds."""

    name: str
    host_api: str
    inputs: int
    outputs: int
    rate_hz: int
    output_latency_s: float
    input_latency_s: float
    default_output: bool
    default_input: bool

    @property
    def label(self) -> str:
        return f"{self.name} / {self.host_api}"


def sounddevice_library() -> Any:
    try:
        import sounddevice  # slow, and needs a system library on Linux
    except (ImportError, OSError) as problem:
        hint = " On Debian or Ubuntu: sudo apt install libportaudio2." if sys.platform == "linux" else ""
        raise DeviceError(
            f"PortAudio is not installed, so there is no sound.{hint} {REHEARSE_INSTEAD}"
        ) from problem
    return sounddevice


def sound_devices() -> tuple[SoundDevice, ...]:
    """Every sound device; DeviceError where PortAudio is missing or can't start."""
    sd = sounddevice_library()
    try:
        apis = [str(api["name"]) for api in sd.query_hostapis()]
        raw = list(sd.query_devices())
        default_input, default_output = (int(index) for index in sd.default.device)
        if default_output < 0 and raw:
            default_output = _api_default(sd, "default_output_device")
        if default_input < 0 and raw:
            default_input = _api_default(sd, "default_input_device")
    except sd.PortAudioError as problem:
        raise DeviceError(
            f"PortAudio can't list the sound devices: {problem}. {REHEARSE_INSTEAD}"
        ) from problem
    return tuple(
        SoundDevice(
            name=str(device["name"]),
            host_api=apis[int(device["hostapi"])],
            inputs=int(device["max_input_channels"]),
            outputs=int(device["max_output_channels"]),
            rate_hz=round(float(device["default_samplerate"])),
            output_latency_s=float(device["default_low_output_latency"]),
            input_latency_s=float(device["default_low_input_latency"]),
            default_output=index == default_output,
            default_input=index == default_input,
        )
        for index, device in enumerate(raw)
    )


def _api_default(sd: Any, key: str) -> int:
    """The default device of the first host API that has one; -1 when there is none."""
    return next((int(api[key]) for api in sd.query_hostapis() if int(api[key]) >= 0), -1)


def choose_device(
    devices: tuple[SoundDevice, ...],
    wanted: str | None,
    *,
    inputs: int,
    outputs: int,
    option: str = "--device",
) -> int:
    """Index of the one device meant by `wanted` (None = the system's default) with enough channels.

    DeviceError, with the choices, when there is none or more than one.
    """
    doing = "record" if outputs == 0 else "play" if inputs == 0 else "play and record"
    usable = [
        index for index, device in enumerate(devices) if device.inputs >= inputs and device.outputs >= outputs
    ]
    choices = ", ".join(f'"{devices[index].label}"' for index in usable)
    if not usable:
        most = max((device.outputs for device in devices), default=0)
        short = f" The most any device has is {most} outputs." if most and outputs > most else ""
        need = " and ".join(
            counted(count, word) for count, word in ((inputs, "input"), (outputs, "output")) if count
        )
        raise DeviceError(
            f"there is no sound card that can {doing} ({need} wanted).{short} "
            f'Plug one in, see "cuesync devices". {MEASURE_INSTEAD if inputs else REHEARSE_INSTEAD}'
        )
    if wanted is None:
        for index in usable:
            if (not outputs or devices[index].default_output) and (
                not inputs or devices[index].default_input
            ):
                return index
        if len(usable) == 1:
            return usable[0]
        raise DeviceError(
            f"no default sound card can {doing}. Say which with {option}; there are: {choices}."
        )
    labels = {index: (devices[index].name, devices[index].label) for index in usable}
    return index_meant(labels, wanted, f"sound card that can {doing}")


def choose_loudspeaker(
    devices: tuple[SoundDevice, ...], microphone: int, wanted: str | None, outputs: int
) -> int:
    """Index of the device to play on while `microphone` records; both must be of one system.

    Without a wish it is the default output, on which the show would play as well, or else the
    microphone's own device. DeviceError as `choose_device`.
    """
    same_api = tuple(
        device if device.host_api == devices[microphone].host_api else replace(device, outputs=0)
        for device in devices
    )
    if wanted is None:
        for index, device in enumerate(same_api):
            if device.default_output and device.outputs >= outputs:
                return index
        if devices[microphone].outputs >= outputs:
            return microphone
    return choose_device(same_api, wanted, inputs=0, outputs=outputs)
