"""Contacts across an input of the sound card: a step in the line, level or spike, either way round.

A listening microphone at another input of the same card has no edges; what it hears is kept for who asks.

`input_process` reads the card; finding the edges runs on a thread of the show's process, and the show's
sound is played by another, which this thread can't hold up. Frames are mapped to host time, which all
processes of a computer share, by a delay-locked loop.
"""

from __future__ import annotations

import contextlib
import json
import math
import queue
import subprocess
import threading
from collections.abc import Sequence
from typing import Any, BinaryIO

import numpy as np

from cuesync.child import start_module, wait_or_kill
from cuesync.devices import input_process
from cuesync.devices.contact_addresses import (
    InputContact,
    MicrophoneContact,
    is_microphone,
    parse_contact,
)
from cuesync.devices.input_process import BLOCK_FRAMES, block_type
from cuesync.devices.microphone import HeardLately
from cuesync.devices.ports import Clock, ContactEdge, Counts, EdgeSink, HostClock, counts
from cuesync.errors import DeviceError
from cuesync.hearing.awaited import Stretch
from cuesync.hearing.line_edges import LineEdges
from cuesync.timeline import Timeline

_OPEN_WITHIN_S = 15.0
_TRY_EVERY_S = 1.0  # each try is a process to start
_ENDS_WITHIN_S = 1.0
_ALIVE_S = 1.0


class InputContacts:
    """Contacts `input:1` … and microphones `microphone:1` … of one sound card.

    `wanted` names the card as `cuesync devices` does.
    """

    def __init__(self, wanted: str | None = None, *, clock: Clock | None = None) -> None:
        self._wanted = wanted
        self._clock: Clock = HostClock() if clock is None else clock
        self._process: subprocess.Popen[bytes] | None = None
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()
        self._problem = ""
        self._try_s = -math.inf
        self._lost_blocks = 0
        self._overflows = 0
        self._heard: dict[str, HeardLately] = {}
        self._last_block_s = -math.inf

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:
        self.close()
        if self._clock.now_s() < self._try_s:
            raise DeviceError(self._problem)
        channels = {name: _channel(name) for name in contacts}
        wanted = () if self._wanted is None else (self._wanted,)
        self._process = start_module(
            input_process.__name__, str(max(channels.values())), *wanted, new_session=True
        )
        self._stop = threading.Event()
        opened: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self._thread = threading.Thread(
            target=self._listen,
            args=(self._process.stdout, channels, sink, self._stop, opened),
            name="sound input",
            daemon=True,
        )
        self._thread.start()
        try:
            card = opened.get(timeout=_OPEN_WITHIN_S)
        except queue.Empty:
            text = (
                f"the sound card has not answered for {_OPEN_WITHIN_S:.0f} s. Unplug it and plug it in again."
            )
            card = {"error": text}
        if "error" in card:
            self.close()
            self._problem = str(card["error"])
            self._try_s = self._clock.now_s() + _TRY_EVERY_S
            raise DeviceError(self._problem)
        self._wanted = str(card["label"])  # not what may be the default card once this one is gone

    @property
    def discarded(self) -> Counts:
        return counts({"lost blocks": self._lost_blocks, "overflows of the card": self._overflows})

    def recorded(self, contact: str, from_s: float, to_s: float) -> Stretch | None:
        heard = self._heard.get(contact)
        return None if heard is None else heard.between(from_s, to_s)

    def alive(self) -> bool:
        thread = self._thread  # it ends with the process
        return (
            thread is not None and thread.is_alive() and self._clock.now_s() - self._last_block_s < _ALIVE_S
        )

    def close(self) -> None:
        self._stop.set()
        process, self._process = self._process, None
        if process is not None:
            assert process.stdin is not None
            with contextlib.suppress(OSError):
                process.stdin.close()  # it ends by that
            wait_or_kill(process, _ENDS_WITHIN_S)
        if self._thread is not None:
            self._thread.join(_ENDS_WITHIN_S)
            self._thread = None

    def _listen(
        self,
        out: BinaryIO,
        channels: dict[str, int],
        sink: EdgeSink,
        stop: threading.Event,
        opened: queue.SimpleQueue[dict[str, Any]],
    ) -> None:
        with out:
            line = out.readline()
            ended = {"error": "the process that reads the sound card ended before the card was open."}
            card: dict[str, Any] = json.loads(line) if line.endswith(b"\n") else ended
            if "error" not in card:
                self._heard = {name: HeardLately(card["rate_hz"]) for name in channels if is_microphone(name)}
                self._last_block_s = self._clock.now_s()
            opened.put(card)
            if "error" not in card:
                self._read(out, channels, sink, stop, card["rate_hz"], card["latency_s"])

    def _read(
        self,
        out: BinaryIO,
        channels: dict[str, int],
        sink: EdgeSink,
        stop: threading.Event,
        rate_hz: int,
        latency_s: float,
    ) -> None:
        timeline = Timeline(rate_hz)
        finders = {contact: LineEdges(rate_hz) for contact in channels if contact not in self._heard}
        delay_s = max(latency_s, BLOCK_FRAMES / rate_hz)
        block_as = block_type(max(channels.values()))
        while len(data := out.read(block_as.itemsize)) == block_as.itemsize:
            if stop.is_set():
                continue  # what is still on its way must not keep the process from ending
            self._last_block_s = self._clock.now_s()
            block = np.frombuffer(data, dtype=block_as)[0]
            samples = block["samples"]
            overrun, after_loss = int(block["overrun"]), bool(block["after_loss"])
            if overrun:
                self._lost_blocks += overrun
                timeline.restart()
            self._overflows += after_loss
            if overrun or after_loss:
                for finder in finders.values():
                    finder.lost()
            skipped_frames = timeline.skipped_frames
            arrived_s = float(block["arrived_s"])
            first_frame = timeline.block(arrived_s, BLOCK_FRAMES)
            self._lost_blocks += max(0, round((timeline.skipped_frames - skipped_frames) / BLOCK_FRAMES))
            at_frame = timeline.frame_at(arrived_s)
            frames_per_s = timeline.frame_at(arrived_s + 1.0) - at_frame
            for contact, heard in self._heard.items():
                start_s = arrived_s + (first_frame - at_frame) / frames_per_s - delay_s
                heard.put(start_s, samples[:, channels[contact] - 1])
            for contact, finder in finders.items():
                begin = finder.frames
                for edge in finder.feed(samples[:, channels[contact] - 1]):
                    frame = first_frame + edge.frame - begin
                    at_s = arrived_s + (frame - at_frame) / frames_per_s - delay_s
                    sink(ContactEdge(contact=contact, closed=edge.closed, at_s=at_s))


def _channel(address: str) -> int:
    contact = parse_contact(address)
    assert isinstance(contact, InputContact | MicrophoneContact)
    return contact.channel
