"""Contacts across an input of the sound card: a step in the line, level or spike, either way round.

A listening microphone at another input of the same card has no edges; what it hears is kept for who asks.

The reading and finding runs on a thread of the show's process; the show's sound is played by a process
of its own, which this thread can't hold up. Frames are mapped to host time by a delay-locked loop.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from cuesync.devices.contact_addresses import (
    InputContact,
    MicrophoneContact,
    is_microphone,
    parse_contact,
)
from cuesync.devices.microphone import HeardLately
from cuesync.devices.ports import Clock, ContactEdge, EdgeSink, HostClock, Samples
from cuesync.devices.sound_cards import choose_device, sound_devices, sounddevice_library
from cuesync.errors import DeviceError
from cuesync.hearing.awaited import Stretch
from cuesync.hearing.triggers import BOUNCE_S
from cuesync.show.timeline import Timeline

STEP = 0.05
"""A contact moves the line by more than this share of full scale; hum of half full scale by a fifth of it."""

_STEP_FRAMES = 4  # the converter's filter spreads a step over a few samples
_BLOCK_FRAMES = 256
_BLOCKS_KEPT = 512
_POLL_S = 0.002
_ALIVE_S = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LineEdge:
    """First edge of a bouncing contact; `frame` counts the samples given since the start."""

    frame: int
    closed: bool


class LineEdges:
    """Finds a contact's edges in one channel, block by block; how the blocks are cut makes no difference.

    The first step is taken for a closing, whichever way it goes; from then on a step the same way closes
    and one the other way opens. Steps within `BOUNCE_S` of the one before are bounce.
    """

    def __init__(self, rate_hz: int) -> None:
        self._gap_frames = round(BOUNCE_S * rate_hz)
        self._tail = np.zeros(0, dtype=np.float32)
        self._frames = 0
        self._last_frame: int | None = None
        self._closing = 0.0

    @property
    def frames(self) -> int:
        """How many samples were given so far."""
        return self._frames

    def feed(self, samples: Samples) -> list[LineEdge]:
        """Edges in the next samples, shape (frames,), of any length."""
        if not len(samples):
            return []
        if not len(self._tail):
            self._tail = np.full(_STEP_FRAMES, samples[0], dtype=np.float32)
        line = np.concatenate([self._tail, samples])
        steps = line[_STEP_FRAMES:] - line[:-_STEP_FRAMES]
        edges = []
        for at in np.flatnonzero(np.abs(steps) > STEP):
            frame = self._frames + int(at)
            if self._last_frame is None or frame - self._last_frame > self._gap_frames:
                sign = math.copysign(1.0, float(steps[at]))
                self._closing = self._closing or sign
                edges.append(LineEdge(frame=frame, closed=sign == self._closing))
            self._last_frame = frame
        self._tail = line[-_STEP_FRAMES:]
        self._frames += len(samples)
        return edges


class InputContacts:
    """Contacts `input:1` … and microphones `microphone:1` … of one sound card.

    `wanted` names the card as `cuesync devices` does.
    """

    def __init__(self, wanted: str | None = None, *, clock: Clock | None = None) -> None:
        self._wanted = wanted
        self._clock: Clock = HostClock() if clock is None else clock
        self._stream: Any = None
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()
        self._written = 0
        self._heard: dict[str, HeardLately] = {}
        self._last_block_s = -math.inf

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:
        self.close()
        channels = {name: _channel(name) for name in contacts}
        most = max(channels.values())
        sd = sounddevice_library()
        devices = sound_devices()
        index = choose_device(devices, self._wanted, inputs=most, outputs=0, option="--microphone")
        card = devices[index]
        self._ring: Samples = np.zeros((_BLOCKS_KEPT, _BLOCK_FRAMES, most), dtype=np.float32)
        self._arrived_s = np.zeros(_BLOCKS_KEPT)
        self._written = 0
        self._last_block_s = self._clock.now_s()
        try:
            self._stream = sd.InputStream(
                device=index,
                channels=most,
                samplerate=card.rate_hz,
                blocksize=_BLOCK_FRAMES,
                latency="low",
                dtype="float32",
                callback=self._take,
            )
            self._stream.start()
        except (sd.PortAudioError, ValueError) as problem:
            self.close()
            raise DeviceError(
                f'the sound card "{card.label}" does not open for contacts: {problem}. Close other programs '
                'that use it, or name another with --microphone (see "cuesync devices").'
            ) from problem
        self._heard = {name: HeardLately(card.rate_hz) for name in contacts if is_microphone(name)}
        self._stop = threading.Event()
        self._thread = threading.Thread(
            target=self._read,
            args=(channels, sink, card.rate_hz, self._stop),
            name="sound input",
            daemon=True,
        )
        self._thread.start()

    def recorded(self, contact: str, from_s: float, to_s: float) -> Stretch | None:
        heard = self._heard.get(contact)
        return None if heard is None else heard.between(from_s, to_s)

    def alive(self) -> bool:
        thread = self._thread
        return (
            thread is not None and thread.is_alive() and self._clock.now_s() - self._last_block_s < _ALIVE_S
        )

    def close(self) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join(1.0)
            self._thread = None
        if self._stream is not None:
            self._stream.close(ignore_errors=True)
            self._stream = None

    def _take(self, block: Samples, _frames: int, _time: Any, _status: Any) -> None:
        slot = self._written % _BLOCKS_KEPT
        self._last_block_s = self._clock.now_s()
        self._arrived_s[slot] = self._last_block_s
        self._ring[slot] = block
        self._written += 1

    def _read(self, channels: dict[str, int], sink: EdgeSink, rate_hz: int, stop: threading.Event) -> None:
        timeline = Timeline(rate_hz)
        finders = {contact: LineEdges(rate_hz) for contact in channels if contact not in self._heard}
        delay_s = max(float(self._stream.latency), _BLOCK_FRAMES / rate_hz)
        done = 0
        while not stop.wait(_POLL_S):
            # Who reads too late loses the oldest, and stays clear of what is being written.
            done = max(done, self._written - _BLOCKS_KEPT * 3 // 4)
            while done < self._written:
                slot = done % _BLOCKS_KEPT
                arrived_s = float(self._arrived_s[slot])
                first_frame = timeline.block(arrived_s, _BLOCK_FRAMES)
                at_frame = timeline.frame_at(arrived_s)
                frames_per_s = timeline.frame_at(arrived_s + 1.0) - at_frame
                for contact, heard in self._heard.items():
                    start_s = arrived_s + (first_frame - at_frame) / frames_per_s - delay_s
                    heard.put(start_s, self._ring[slot, :, channels[contact] - 1])
                for contact, finder in finders.items():
                    channel = channels[contact]
                    begin = finder.frames
                    for edge in finder.feed(self._ring[slot, :, channel - 1]):
                        frame = first_frame + edge.frame - begin
                        at_s = arrived_s + (frame - at_frame) / frames_per_s - delay_s
                        sink(ContactEdge(contact=contact, closed=edge.closed, at_s=at_s))
                done += 1


def _channel(address: str) -> int:
    contact = parse_contact(address)
    assert isinstance(contact, InputContact | MicrophoneContact)
    return contact.channel
