"""The recorder's callback without a sound card: a PortAudio that only keeps what it was given."""

from __future__ import annotations

import threading
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from cuesync.devices import portaudio
from cuesync.devices.portaudio import PortAudioRecorder
from cuesync.devices.sound_cards import SoundDevice

CARD = SoundDevice(
    name="Card",
    host_api="ALSA",
    inputs=1,
    outputs=1,
    rate_hz=48000,
    output_latency_s=0.01,
    input_latency_s=0.01,
    default_output=True,
    default_input=True,
)
FINE = SimpleNamespace(input_overflow=False, output_underflow=False)


class Out(np.ndarray[Any, np.dtype[np.float32]]):
    """A block that lets something else happen while it is being filled."""

    meanwhile: Callable[[], None] = staticmethod(lambda: None)

    def __setitem__(self, *arguments: Any) -> None:
        super().__setitem__(*arguments)
        self.meanwhile()


def test_a_sound_asked_for_while_another_sounds_begins_at_its_beginning(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(portaudio, "sound_devices", lambda: (CARD,))
    monkeypatch.setattr(
        portaudio,
        "sounddevice_library",
        lambda: SimpleNamespace(Stream=SimpleNamespace, PortAudioError=RuntimeError),
    )
    recorder = PortAudioRecorder()
    first = np.full(1000, 0.25, dtype=np.float32)
    second = np.arange(1, 601, dtype=np.float32)
    heard = np.zeros((256, 1), dtype=np.float32)

    def block(meanwhile: Callable[[], None] = lambda: None) -> list[float]:
        out = np.zeros((256, 1), dtype=np.float32).view(Out)
        out.meanwhile = meanwhile
        recorder._both(heard, out, 256, None, FINE)
        return [float(value) for value in out[:, 0]]

    recorder.play(first)
    assert recorder.handed_frame is None
    block()
    assert recorder.handed_frame == 256
    assert block(lambda: recorder.play(second)) == [0.25] * 256
    assert recorder.handed_frame is None
    out = block() + block() + block() + block()
    assert out == [*second, *([0.0] * (1024 - 600))]
    assert recorder.handed_frame == 3 * 256


def test_a_driver_that_does_not_come_back_from_closing_is_left_behind(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As PortAudio's JACK side when the server is gone: the measuring has to end all the same."""
    may_close, closed = threading.Event(), threading.Event()

    def close(*, ignore_errors: bool) -> None:
        assert ignore_errors
        may_close.wait(10.0)
        closed.set()

    stream = SimpleNamespace(close=close)
    library = SimpleNamespace(
        Stream=lambda **_: stream, InputStream=lambda **_: stream, PortAudioError=OSError
    )
    monkeypatch.setattr(portaudio, "sound_devices", lambda: (CARD,))
    monkeypatch.setattr(portaudio, "sounddevice_library", lambda: library)
    monkeypatch.setattr(portaudio, "_CLOSE_S", 0.05)
    PortAudioRecorder().close()
    assert not closed.is_set()
    may_close.set()
    assert closed.wait(5.0)
