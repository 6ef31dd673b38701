"""Simulated sound cards on the simulated clock: one that plays, one that plays and records; a microphone."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from cuesync.devices.ports import RecordedBlock, Render, Samples
from cuesync.devices.simulated import SimulatedClock
from cuesync.errors import DeviceError
from cuesync.hearing.awaited import Stretch

_LONG_BLOCK_FRAMES = 16384


class SimulatedAudio:
    """A sound card on the simulated clock that keeps what it was given.

    `late_s` draws how late each block is asked for (a busy computer); `rate_error` makes the card's
    crystal run fast (0.0001 = 100 ppm). While `quiet()` is true, long blocks reach up to the next thing
    the clock has to do, which makes hours pass in seconds; without `quiet` all blocks are alike.
    """

    def __init__(
        self,
        clock: SimulatedClock,
        *,
        rate_hz: int = 48000,
        channels: int = 2,
        block_frames: int = 256,
        latency_s: float = 0.0,
        late_s: Callable[[], float] | None = None,
        rate_error: float = 0.0,
        quiet: Callable[[], bool] | None = None,
        keep: bool = True,
    ) -> None:
        self._clock = clock
        self._rate_hz = rate_hz
        self._channels = channels
        self._block_frames = block_frames
        self._latency_s = latency_s
        self._late_s = late_s
        self._frame_s = 1.0 / (rate_hz * (1.0 + rate_error))
        self._quiet = quiet
        self._out: Samples = np.zeros((max(_LONG_BLOCK_FRAMES, block_frames), channels), dtype=np.float32)
        self._render: Render | None = None
        self._stream = 0
        self._start_s = 0.0
        self._frames = 0
        self._dropouts = 0
        self.keep = keep
        self.blocks: list[tuple[float, Samples]] = []
        """Host time at which the card wanted the block, and its sound."""

    name = "simulated sound card"

    @property
    def rate_hz(self) -> int:
        return self._rate_hz

    @property
    def channels(self) -> int:
        return self._channels

    @property
    def block_frames(self) -> int:
        return self._block_frames

    @property
    def latency_s(self) -> float:
        return self._latency_s

    @property
    def dropouts(self) -> int:
        return self._dropouts

    def start(self, render: Render) -> None:
        self._render = render
        self._stream += 1
        self._start_s = self._clock.now_s()
        self._frames = 0
        self._next_block(self._stream)

    def stop(self) -> None:
        self._render = None

    def alive(self) -> bool:
        return self._render is not None

    def drop(self, frames: int) -> None:
        """Lose this many frames of time between two blocks: an xrun."""
        self._dropouts += 1
        self._start_s += frames * self._frame_s

    def sound_from(self, at_s: float, frames: int) -> Samples:
        """What was handed over from host time `at_s` on, (frames, channels); silence where nothing was."""
        sound = np.zeros((frames, self._channels), dtype=np.float32)
        for block_s, samples in self.blocks:
            first = round((block_s - at_s) / self._frame_s)
            begin, end = max(first, 0), min(first + len(samples), frames)
            if begin < end:
                sound[begin:end] = samples[begin - first : end - first]
        return sound

    def _next_block(self, stream: int) -> None:
        due_s = self._start_s + self._frames * self._frame_s
        late_s = 0.0 if self._late_s is None else self._late_s()
        self._clock.at(due_s + late_s, lambda: self._ask(stream, due_s))

    def _ask(self, stream: int, due_s: float) -> None:
        if stream != self._stream or self._render is None:
            return
        frames = self._block_frames
        if self._quiet is not None and self._quiet():
            free = (self._clock.next_s() - due_s) / self._frame_s
            frames *= max(1, int(max(0.0, min(free, len(self._out))) // frames))
        out = self._out[:frames]
        self._render(out, self._clock.now_s())
        if self.keep:
            self.blocks.append((due_s, out.copy()))
        self._frames += frames
        self._next_block(stream)


class SimulatedRecorder:
    """A sound card that plays and records on the simulated clock.

    What is played comes back on every input after `loop_s` at `loop_gain`; `add` puts any other sound
    into the room at a host time. Blocks arrive while the clock runs.
    """

    def __init__(
        self,
        clock: SimulatedClock,
        *,
        rate_hz: int = 48000,
        input_channels: int = 1,
        output_channels: int = 2,
        block_frames: int = 256,
        loop_s: float = 0.02,
        loop_gain: float = 0.5,
        noise: float = 0.0,
        seed: int = 1,
        keep_s: float = 10.0,
    ) -> None:
        self._clock = clock
        self._rate_hz = rate_hz
        self._inputs = input_channels
        self._outputs = output_channels
        self._block_frames = block_frames
        self._loop_frames = round(loop_s * rate_hz)
        self._loop_gain = loop_gain
        self._noise = noise
        self._random = np.random.default_rng(seed)
        self._keep_frames = round(keep_s * rate_hz)
        self._room: list[tuple[int, NDArray[np.float32]]] = []
        self._unread: list[Samples] = []
        self._unread_first = 0
        self._frames = 0
        self._start_s = 0.0
        self._running = False
        self._lost_frames = 0
        self.played: list[float] = []
        """Host times at which `play` was called."""
        self._handed_frame: int | None = None
        self._arrived_s = 0.0

    name = "simulated recorder"
    output_name = "simulated loudspeaker"
    input_delay_s = 0.0
    dropouts = 0

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

    def start(self) -> None:
        self._running = True
        self._start_s = self._clock.now_s()
        self._schedule()

    def play(self, samples: Samples) -> None:
        if self._outputs == 0:
            raise DeviceError("the simulated recorder has no outputs to play on.")
        self.played.append(self._clock.now_s())
        sound = samples if samples.ndim == 1 else samples.mean(axis=1)
        # As with a real card, the sound goes out with the next block.
        handed = self._frames + self._block_frames
        self._handed_frame = handed
        self._room.append((handed + self._loop_frames, (sound * self._loop_gain).astype(np.float32)))

    @property
    def handed_frame(self) -> int | None:
        return self._handed_frame

    def add(self, samples: NDArray[np.float32], at_s: float) -> None:
        """A sound (frames,) that the microphone hears from host time `at_s` on."""
        self._room.append((round((at_s - self._start_s) * self._rate_hz), samples))

    def read(self) -> RecordedBlock | None:
        if not self._unread:
            return None
        samples = np.concatenate(self._unread)
        block = RecordedBlock(first_frame=self._unread_first, samples=samples, arrived_s=self._arrived_s)
        self._unread_first += len(samples)
        self._unread.clear()
        return block

    def alive(self) -> bool:
        return self._running

    def close(self) -> None:
        self._running = False

    def pull_out(self) -> None:
        """The card is gone without a word."""
        self._running = False

    def _schedule(self) -> None:
        end_s = self._start_s + (self._frames + self._block_frames) / self._rate_hz
        self._clock.at(end_s, self._block)

    def _block(self) -> None:
        if not self._running:
            return
        frames, first = self._block_frames, self._frames
        heard = self._random.normal(0.0, self._noise, frames).astype(np.float32)
        for at, sound in self._room:
            begin, end = max(at, first), min(at + len(sound), first + frames)
            if begin < end:
                heard[begin - first : end - first] += sound[begin - at : end - at]
        self._room = [(at, sound) for at, sound in self._room if at + len(sound) > first + frames]
        self._unread.append(np.repeat(heard[:, None], self._inputs, axis=1))
        self._frames += frames
        self._arrived_s = self._clock.now_s()
        while sum(map(len, self._unread)) > self._keep_frames:
            gone = len(self._unread.pop(0))
            self._unread_first += gone
            self._lost_frames += gone
        self._schedule()


class SimulatedMicrophone:
    """A listening microphone in the room of a simulated card, at whatever contact it is asked for.

    What the card plays, all outputs together, comes in `loop_s` later at `loop_gain`; `add` puts any other
    sound into the room.
    """

    def __init__(
        self,
        audio: SimulatedAudio,
        *,
        loop_s: float = 0.02,
        loop_gain: float = 0.5,
        noise: float = 0.0005,
        seed: int = 1,
    ) -> None:
        self._audio = audio
        self._loop_s = loop_s
        self._loop_gain = loop_gain
        self._noise = noise
        self._random = np.random.default_rng(seed)
        self._room: list[tuple[float, NDArray[np.float32]]] = []
        self.present = True

    def add(self, samples: NDArray[np.float32], at_s: float) -> None:
        """A sound (frames,) at the card's rate that is heard from host time `at_s` on."""
        self._room.append((at_s, samples))

    def recorded(self, contact: str, from_s: float, to_s: float) -> Stretch | None:  # noqa: ARG002
        if not self.present:
            return None
        rate_hz = self._audio.rate_hz
        frames = round((to_s - from_s) * rate_hz) + 1
        line = self._random.normal(0.0, self._noise, frames).astype(np.float32)
        line += self._loop_gain * self._audio.sound_from(from_s - self._loop_s, frames).sum(axis=1)
        for at_s, sound in self._room:
            first = round((at_s - from_s) * rate_hz)
            begin, end = max(first, 0), min(first + len(sound), frames)
            if begin < end:
                line[begin:end] += sound[begin - first : end - first]
        return Stretch(samples=line[:, None], rate_hz=rate_hz, start_s=from_s)
