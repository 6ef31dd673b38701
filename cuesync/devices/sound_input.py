"""Contacts across an input of the sound card: a step in the line, level or spike, either way round.

A listening microphone at another input of the same card has no edges; what it hears is kept for who asks.

The reading and finding runs on a thread of the show's process; the show's sound is played by a process
of its own, which this thread can't hold up. Frames are mapped to host time by a delay-locked loop.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Sequence
from typing import Any

import numpy as np

from cuesync.devices.contact_addresses import (
    InputContact,
    MicrophoneContact,
    is_microphone,
    parse_contact,
)
from cuesync.devices.microphone import HeardLately
from cuesync.devices.ports import Clock, ContactEdge, Counts, EdgeSink, HostClock, Samples, counts
from cuesync.devices.sound_cards import choose_device, close_stream, sound_devices, sounddevice_library
from cuesync.errors import DeviceError
from cuesync.hearing.awaited import Stretch
from cuesync.hearing.line_edges import LineEdges
from cuesync.show.timeline import Timeline

_BLOCK_FRAMES = 256
_BLOCKS_KEPT = 512
_POLL_S = 0.002
_ALIVE_S = 1.0


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
        self._stuck = False
        self._written = 0
        self._lost_blocks = 0
        self._overflows = 0
        self._heard: dict[str, HeardLately] = {}
        self._last_block_s = -math.inf

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:
        self.close()
        if self._stuck:  # it would only fail again and again, and say so on the operator's screen
            raise DeviceError("the sound card's driver does not let go of its input. Start cuesync again.")
        channels = {name: _channel(name) for name in contacts}
        most = max(channels.values())
        sd = sounddevice_library()
        devices = sound_devices()
        index = choose_device(devices, self._wanted, inputs=most, outputs=0, option="--microphone")
        card = devices[index]
        self._ring: Samples = np.zeros((_BLOCKS_KEPT, _BLOCK_FRAMES, most), dtype=np.float32)
        self._arrived_s = np.zeros(_BLOCKS_KEPT)
        self._after_loss = np.zeros(_BLOCKS_KEPT, dtype=np.bool_)
        self._odd = False
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

    @property
    def discarded(self) -> Counts:
        return counts({"lost blocks": self._lost_blocks, "overflows of the card": self._overflows})

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
        stream, self._stream = self._stream, None
        if stream is not None and not close_stream(stream):
            self._stuck = True

    def _take(self, block: Samples, frames: int, _time: Any, status: Any) -> None:
        self._last_block_s = self._clock.now_s()
        if frames != _BLOCK_FRAMES:
            self._odd = True
            return
        slot = self._written % _BLOCKS_KEPT
        self._arrived_s[slot] = self._last_block_s
        self._after_loss[slot] = self._odd or status.input_overflow
        self._odd = False
        self._ring[slot] = block
        self._written += 1

    def _read(self, channels: dict[str, int], sink: EdgeSink, rate_hz: int, stop: threading.Event) -> None:
        timeline = Timeline(rate_hz)
        finders = {contact: LineEdges(rate_hz) for contact in channels if contact not in self._heard}
        delay_s = max(float(self._stream.latency), _BLOCK_FRAMES / rate_hz)
        done = 0
        while not stop.wait(_POLL_S):
            while done < (written := self._written):
                # Who reads too late loses the oldest, and stays clear of what is being written.
                late = max(0, written - _BLOCKS_KEPT * 3 // 4 - done)
                done += late
                slot = done % _BLOCKS_KEPT
                if late:
                    self._lost_blocks += late
                    timeline.restart()
                self._overflows += bool(self._after_loss[slot])
                if late or self._after_loss[slot]:
                    for finder in finders.values():
                        finder.lost()
                skipped_frames = timeline.skipped_frames
                arrived_s = float(self._arrived_s[slot])
                first_frame = timeline.block(arrived_s, _BLOCK_FRAMES)
                self._lost_blocks += max(0, round((timeline.skipped_frames - skipped_frames) / _BLOCK_FRAMES))
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
