"""Sound through PortAudio: the show's output, and the recorder.

`outputBufferDacTime` is not used at all: its origin and meaning differ from one host API to the next.
"""

from __future__ import annotations

import atexit
import math
import sys
import threading
from typing import Any

import numpy as np

from cuesync.devices.ports import Clock, HostClock, RecordedBlock, Render, Samples
from cuesync.devices.sound_cards import (
    REHEARSE_INSTEAD,
    choose_device,
    choose_loudspeaker,
    sound_devices,
    sounddevice_library,
)
from cuesync.errors import DeviceError

_ALIVE_S = 1.0
_CLOSE_S = 1.0


class PortAudioOutput:
    """The show's sound. `render` runs on PortAudio's thread; host time is taken on entry."""

    def __init__(
        self,
        wanted: str | None = None,
        *,
        channels: int = 2,
        rate_hz: int | None = None,
        block_frames: int | None = None,
        clock: Clock | None = None,
    ) -> None:
        """`rate_hz` None takes the device's own rate, `block_frames` None the block the driver likes."""
        sd = sounddevice_library()
        devices = sound_devices()
        index = choose_device(devices, wanted, inputs=0, outputs=channels)
        self._device = devices[index]
        self._clock: Clock = HostClock() if clock is None else clock
        self._render: Render | None = None
        self._dropouts = 0
        self._last_block_s = -math.inf
        self._block_frames = block_frames or 0
        try:
            self._stream = sd.OutputStream(
                device=index,
                channels=channels,
                samplerate=rate_hz or self._device.rate_hz,
                blocksize=block_frames or 0,
                latency="low",
                dtype="float32",
                callback=self._callback,
                prime_output_buffers_using_stream_callback=False,
            )
        except (sd.PortAudioError, ValueError) as problem:
            raise DeviceError(
                f'the sound card "{self._device.label}" does not open with {channels} channels at '
                f"{rate_hz or self._device.rate_hz} Hz: {problem}. Close other programs that use it, "
                f'or name another with --device (see "cuesync devices"). {REHEARSE_INSTEAD}'
            ) from problem

    @property
    def name(self) -> str:
        return self._device.label

    @property
    def rate_hz(self) -> int:
        return round(float(self._stream.samplerate))

    @property
    def channels(self) -> int:
        return int(self._stream.channels)

    @property
    def block_frames(self) -> int:
        return self._block_frames

    @property
    def latency_s(self) -> float:
        return float(self._stream.latency)

    @property
    def dropouts(self) -> int:
        return self._dropouts

    def start(self, render: Render) -> None:
        sd = sounddevice_library()
        self._render = render
        self._last_block_s = self._clock.now_s()
        try:
            self._stream.start()
        except sd.PortAudioError as problem:
            raise DeviceError(
                f'the sound card "{self.name}" does not start: {problem}. {REHEARSE_INSTEAD}'
            ) from problem

    def stop(self) -> None:
        self._render = None
        self._stream.close(ignore_errors=True)

    def alive(self) -> bool:
        return self._render is not None and self._clock.now_s() - self._last_block_s < _ALIVE_S

    def _callback(self, out: Samples, frames: int, _time: Any, status: Any) -> None:
        now_s = self._clock.now_s()
        self._last_block_s = now_s
        self._block_frames = frames
        if status.output_underflow:
            self._dropouts += 1
        render = self._render
        if render is None:
            out.fill(0.0)
        else:
            render(out, now_s)


class _Outgoing:
    """A sound on its way out and how far it has come; the callback alone changes it."""

    __slots__ = ("at", "handed_frame", "samples")

    def __init__(self, samples: Samples) -> None:
        self.samples = samples
        self.at = 0
        self.handed_frame: int | None = None


class PortAudioRecorder:
    """Plays and records on one clock.

    `wanted` names the input, `wanted_output` the output; without that it is the default output of the same
    system, on which the show would play as well, or else the device of the input.

    What comes in goes through a ring of `keep_s` seconds that is laid out beforehand; who reads too
    late loses the oldest, and `lost_frames` says how much.
    """

    def __init__(
        self,
        wanted: str | None = None,
        *,
        wanted_output: str | None = None,
        input_channels: int = 1,
        output_channels: int = 1,
        rate_hz: int | None = None,
        keep_s: float = 10.0,
        clock: Clock | None = None,
    ) -> None:
        sd = sounddevice_library()
        devices = sound_devices()
        source = choose_device(devices, wanted, inputs=input_channels, outputs=0, option="--microphone")
        sink = choose_loudspeaker(devices, source, wanted_output, output_channels)
        self._output_name = devices[sink].label
        self._device = devices[source]
        self._clock: Clock = HostClock() if clock is None else clock
        self._rate_hz = rate_hz or self._device.rate_hz
        self._inputs, self._outputs = input_channels, output_channels
        self._ring: Samples = np.zeros((math.ceil(keep_s * self._rate_hz), input_channels), dtype=np.float32)
        self._written = 0
        self._read = 0
        self._lost_frames = 0
        self._dropouts = 0
        self._block_frames = 0
        self._last_block_s = -math.inf
        self._playing: _Outgoing | None = None
        self._started = False
        try:
            self._stream = sd.Stream(
                device=(source, sink),
                channels=(input_channels, output_channels),
                samplerate=self._rate_hz,
                latency="low",
                dtype="float32",
                callback=self._both,
            )
        except (sd.PortAudioError, ValueError) as problem:
            raise DeviceError(
                f'the sound card "{self._device.label}" does not open for recording at {self._rate_hz} Hz: '
                f"{problem}. Close other programs that use it, or name another with --device "
                f'(see "cuesync devices").'
            ) from problem

    @property
    def name(self) -> str:
        return self._device.label

    @property
    def rate_hz(self) -> int:
        return self._rate_hz

    @property
    def input_channels(self) -> int:
        return self._inputs

    @property
    def output_channels(self) -> int:
        return self._outputs

    @property
    def lost_frames(self) -> int:
        return self._lost_frames

    @property
    def dropouts(self) -> int:
        return self._dropouts

    def start(self) -> None:
        sd = sounddevice_library()
        self._last_block_s = self._clock.now_s()
        try:
            self._stream.start()
        except sd.PortAudioError as problem:
            raise DeviceError(f'the sound card "{self.name}" does not start: {problem}.') from problem
        self._started = True

    def play(self, samples: Samples) -> None:
        sound = samples[:, None] if samples.ndim == 1 else samples
        if sound.shape[1] == 1:
            sound = np.repeat(sound, self._outputs, axis=1)
        if sound.shape[1] != self._outputs:
            raise DeviceError(f"a sound of {sound.shape[1]} channels does not fit {self._outputs} outputs.")
        # One step, for the callback may be in the middle of a sound before.
        self._playing = _Outgoing(np.ascontiguousarray(sound, dtype=np.float32))

    @property
    def handed_frame(self) -> int | None:
        playing = self._playing
        return None if playing is None else playing.handed_frame

    @property
    def output_name(self) -> str:
        return self._output_name

    @property
    def input_delay_s(self) -> float:
        input_s, _ = self._stream.latency
        return max(0.0, float(input_s) - self._block_frames / self._rate_hz)

    def read(self) -> RecordedBlock | None:
        arrived_s, written = self._last_block_s, self._written
        # The callback may be writing a block while this copies: stay clear of the oldest part.
        oldest = written - len(self._ring) * 3 // 4
        if self._read < oldest:
            self._lost_frames += oldest - self._read
            self._read = oldest
        frames = written - self._read
        if frames <= 0:
            return None
        begin = self._read % len(self._ring)
        head = self._ring[begin : begin + frames]
        samples = np.concatenate([head, self._ring[: frames - len(head)]])
        block = RecordedBlock(first_frame=self._read, samples=samples, arrived_s=arrived_s)
        self._read = written
        return block

    def alive(self) -> bool:
        return self._started and self._clock.now_s() - self._last_block_s < _ALIVE_S

    def close(self) -> None:
        self._started = False
        _close(self._stream)

    def _take(self, block: Samples, frames: int, _time: Any, status: Any) -> None:
        if status.input_overflow or status.output_underflow:
            self._dropouts += 1
        ring = self._ring
        begin = self._written % len(ring)
        fits = min(frames, len(ring) - begin)
        ring[begin : begin + fits] = block[:fits]
        ring[: frames - fits] = block[fits:]
        self._last_block_s = self._clock.now_s()
        self._block_frames = frames
        self._written += frames

    def _both(self, block: Samples, out: Samples, frames: int, time: Any, status: Any) -> None:
        self._take(block, frames, time, status)
        out.fill(0.0)
        playing = self._playing
        if playing is not None and playing.at < len(playing.samples):
            if playing.handed_frame is None:
                playing.handed_frame = self._written
            part = playing.samples[playing.at : playing.at + frames]
            out[: len(part)] = part
            playing.at += frames


def _close(stream: Any) -> None:
    """Close a stream, or leave it behind where its driver does not come back.

    PortAudio waits for over a minute for a JACK server that is gone, and would again as the program ends.
    """
    closing = threading.Thread(
        target=stream.close, kwargs={"ignore_errors": True}, name="cuesync closing", daemon=True
    )
    closing.start()
    closing.join(_CLOSE_S)
    if closing.is_alive() and (library := sys.modules.get("sounddevice")) is not None:
        atexit.unregister(library._exit_handler)
