"""The show's sound card, gone and back in a PortAudio that only keeps what it was given."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from cuesync.devices import portaudio
from cuesync.devices.portaudio import PortAudioOutput
from cuesync.devices.sound_cards import SoundDevice
from cuesync.errors import DeviceError
from cuesync.show.sound import LocalSoundDesk

BUILT_IN = SoundDevice(
    name="Built-in",
    host_api="ALSA",
    inputs=0,
    outputs=2,
    rate_hz=48000,
    output_latency_s=0.01,
    input_latency_s=0.01,
    default_output=False,
    default_input=False,
)
CARD = replace(BUILT_IN, name="Card", default_output=True)


class Stream:
    opened: list[Stream] = []  # noqa: RUF012

    def __init__(self, **options: Any) -> None:
        self.device: int = options["device"]
        self.callback = options["callback"]
        self.samplerate, self.channels, self.latency = 48000.0, 2, 0.01
        Stream.opened.append(self)

    def start(self) -> None:
        pass

    def close(self, ignore_errors: bool) -> None:
        pass


@pytest.fixture
def plugged(monkeypatch: pytest.MonkeyPatch) -> list[SoundDevice]:
    """What is plugged in, in PortAudio's order; changed by the test."""
    devices = [CARD, BUILT_IN]
    library = SimpleNamespace(OutputStream=Stream, PortAudioError=RuntimeError)
    monkeypatch.setattr(portaudio, "sound_devices", lambda: tuple(devices))
    monkeypatch.setattr(portaudio, "sounddevice_library", lambda: library)
    monkeypatch.setattr(Stream, "opened", [])
    return devices


def test_a_card_that_is_back_under_another_index_is_found_by_its_name(plugged: list[SoundDevice]) -> None:
    card = PortAudioOutput()
    desk = LocalSoundDesk(card, lambda: PortAudioOutput(card.name))
    desk.start([])
    plugged[:] = [replace(BUILT_IN, default_output=True)]
    with pytest.raises(DeviceError, match='is called "Card / ALSA"'):
        desk.restart()
    plugged[:] = [replace(BUILT_IN, default_output=True), replace(BUILT_IN, name="Headset"), CARD]
    desk.restart()
    assert [stream.device for stream in Stream.opened] == [0, 2]
    assert desk.alive()


def test_what_the_driver_calls_an_underflow_is_counted_through_a_restart(plugged: list[SoundDevice]) -> None:
    assert plugged
    desk = LocalSoundDesk(PortAudioOutput(), PortAudioOutput)
    desk.start([])
    out = np.zeros((256, 2), dtype=np.float32)
    for underflow in (False, True, True):
        Stream.opened[0].callback(out, 256, None, SimpleNamespace(output_underflow=underflow))
    desk.restart()
    Stream.opened[1].callback(out, 256, None, SimpleNamespace(output_underflow=True))
    assert desk.counts.dropouts == 3
