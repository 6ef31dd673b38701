"""The sound card's input, in a process that does nothing but pass on its blocks.

A driver may hang, crash or never come back from closing when the card or the sound server goes (PortAudio on
JACK does), and it keeps its list of cards from when it was started. So `sound_input` starts a process of its
own for every opening, and kills it where it does not end by itself at the end of its standard input.

    ◄─ the card, or what went wrong: a line of JSON; then every block as `block_type` lays it out
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import threading
from typing import Any, BinaryIO

import numpy as np

from cuesync.child import begin_child
from cuesync.devices.ports import Clock, HostClock, Samples
from cuesync.devices.sound_cards import choose_device, sound_devices, sounddevice_library
from cuesync.errors import DeviceError

BLOCK_FRAMES = 256
_BLOCKS_KEPT = 512
_POLL_S = 0.002


def block_type(channels: int) -> np.dtype[np.void]:
    """A block on its way: when it arrived (host time), how many before it were overrun in this process,
    whether the card lost sound before it, and its samples."""
    return np.dtype(
        [
            ("arrived_s", "<f8"),
            ("overrun", "<u4"),
            ("after_loss", "<u4"),
            ("samples", "<f4", (BLOCK_FRAMES, channels)),
        ]
    )


class _Ring:
    """The last blocks; `take` is the card's callback, `hand_over` for one other thread."""

    def __init__(self, channels: int, clock: Clock) -> None:
        self._clock = clock
        self._ring = np.zeros(_BLOCKS_KEPT, dtype=block_type(channels))
        self._arrived_s = self._ring["arrived_s"]
        self._after_loss = self._ring["after_loss"]
        self._samples = self._ring["samples"]
        self._odd = False
        self._written = 0
        self._done = 0

    def take(self, block: Samples, frames: int, _time: Any, status: Any) -> None:
        now_s = self._clock.now_s()
        if frames != BLOCK_FRAMES:
            self._odd = True
            return
        slot = self._written % _BLOCKS_KEPT
        self._arrived_s[slot] = now_s
        self._after_loss[slot] = self._odd or status.input_overflow
        self._odd = False
        self._samples[slot] = block
        self._written += 1

    def hand_over(self, out: BinaryIO) -> None:
        """Write all that came in since the last time."""
        while self._done < (written := self._written):
            # Who reads too late loses the oldest, and stays clear of what is being written.
            late = max(0, written - _BLOCKS_KEPT * 3 // 4 - self._done)
            self._done += late
            slot = self._done % _BLOCKS_KEPT
            self._ring["overrun"][slot] = late
            out.write(self._ring[slot].tobytes())
            out.flush()
            self._done += 1


def serve(wanted: str | None, channels: int, orders: BinaryIO, out: BinaryIO, clock: Clock) -> None:
    """Pass on what comes in at the card until `orders` is at its end, or nobody reads any more."""
    ring = _Ring(channels, clock)
    try:
        stream, card = _open(wanted, channels, ring)
    except DeviceError as problem:
        stream, card = None, {"error": str(problem)}
    with contextlib.suppress(OSError):
        out.write(json.dumps(card).encode() + b"\n")
        out.flush()
    if stream is None:
        return
    ended = threading.Event()

    def wait_for_the_end() -> None:
        orders.read()
        ended.set()

    threading.Thread(target=wait_for_the_end, daemon=True).start()
    with contextlib.suppress(OSError):
        while not ended.wait(_POLL_S):
            ring.hand_over(out)
    stream.close(ignore_errors=True)


def _open(wanted: str | None, channels: int, ring: _Ring) -> tuple[Any, dict[str, Any]]:
    sd = sounddevice_library()
    devices = sound_devices()
    index = choose_device(devices, wanted, inputs=channels, outputs=0, option="--microphone")
    card = devices[index]
    try:
        stream = sd.InputStream(
            device=index,
            channels=channels,
            samplerate=card.rate_hz,
            blocksize=BLOCK_FRAMES,
            latency="low",
            dtype="float32",
            callback=ring.take,
        )
        stream.start()
    except (sd.PortAudioError, ValueError) as problem:
        raise DeviceError(
            f'the sound card "{card.label}" does not open for contacts: {problem}. Close other programs '
            'that use it, or name another with --microphone (see "cuesync devices").'
        ) from problem
    latency_s = float(stream.latency)
    return stream, {"label": card.label, "rate_hz": card.rate_hz, "latency_s": latency_s}


def main(channels: int, wanted: str | None = None) -> None:
    out = begin_child()
    serve(wanted, channels, sys.stdin.buffer, out, HostClock())


if __name__ == "__main__":
    main(int(sys.argv[1]), *sys.argv[2:])
    # Ending PortAudio may abort or hang where a sound server has died; there is nothing left to save.
    os._exit(0)
