"""Starting and talking to the process that plays the sound, with nothing heavy to import.

A show starts it first of all, so that it looks for the sound card while the scenes are still being read.
A message is its length in four bytes, then JSON; `load` and `played` are followed by the samples.
"""

from __future__ import annotations

import contextlib
import json
import queue
import struct
import threading
import time
from collections.abc import Callable
from typing import Any, BinaryIO

from cuesync.child import start_module, wait_or_kill
from cuesync.errors import DeviceError

_OPEN_WITHIN_S = 15.0
_NEWS_WITHIN_S = 2.0
_KILLED_WITHIN_S = 1.0


def write_message(stream: BinaryIO, message: dict[str, Any], data: bytes | memoryview = b"") -> None:
    """`data` is not copied: that would hold up every other thread, in the child the sound card's."""
    text = json.dumps(message).encode()
    stream.write(struct.pack("<I", len(text)) + text)
    stream.write(data)
    stream.flush()


def read_message(stream: BinaryIO) -> dict[str, Any] | None:
    """The next message, or None at the end."""
    head = stream.read(4)
    if len(head) < 4:
        return None
    text = stream.read(struct.unpack("<I", head)[0])
    message: dict[str, Any] = json.loads(text)
    return message


class SoundChild:
    """One child process and the thread that reads its news; `news` takes what the child says of its plays."""

    def __init__(self) -> None:
        self.status: dict[str, Any] = {}
        self._status_s: float | None = None
        self._born_s = time.perf_counter()
        self.news: Callable[[dict[str, Any]], None] = lambda _: None
        self._opened: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self._process = start_module("cuesync.show.sound_process")
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._in: BinaryIO = self._process.stdin  # type: ignore[assignment]
        self._out: BinaryIO = self._process.stdout  # type: ignore[assignment]
        self._telling = threading.Lock()
        self._reader = threading.Thread(target=self._listen, name="cuesync sound news", daemon=True)
        self._reader.start()

    def open(
        self,
        device: str | None,
        channels: int,
        rate_hz: int | None = None,
        block_frames: int | None = None,
    ) -> None:
        """Ask for the sound card; `opened` waits for the answer."""
        order = {"device": device, "channels": channels, "rate_hz": rate_hz, "block_frames": block_frames}
        self.tell({"open": order})

    def opened(self) -> dict[str, Any]:
        """The card as it was opened; DeviceError where it could not be."""
        try:
            answer = self._opened.get(timeout=_OPEN_WITHIN_S)
        except queue.Empty:
            raise DeviceError(
                f"the sound card has not answered for {_OPEN_WITHIN_S:.0f} s. Unplug it and plug it in again."
            ) from None
        if "error" in answer:
            raise DeviceError(str(answer["error"]))
        return answer

    def tell(self, message: dict[str, Any], data: bytes = b"") -> None:
        """Never raises: a child that is gone is noticed by `alive`."""
        with self._telling, contextlib.suppress(OSError, ValueError):
            write_message(self._in, message, data)

    def alive(self, now_s: float) -> bool:
        """The child runs, sends news, and its card asks for sound."""
        if self._process.poll() is not None:
            return False
        if self._status_s is None:
            return now_s - self._born_s < _OPEN_WITHIN_S
        return bool(self.status["alive"]) and now_s - self._status_s < _NEWS_WITHIN_S

    def end(self) -> None:
        """Let it fade out and end by itself; kill it where it doesn't."""
        with self._telling, contextlib.suppress(OSError, ValueError):
            self._in.close()
        wait_or_kill(self._process, 2.0)
        self.kill()

    def kill(self) -> None:
        self._process.kill()
        wait_or_kill(self._process, _KILLED_WITHIN_S)
        self._reader.join(_KILLED_WITHIN_S)
        with self._telling, contextlib.suppress(OSError, ValueError):
            self._in.close()
        if not self._reader.is_alive():  # closing would wait for it
            self._out.close()

    def _listen(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            while (message := read_message(self._out)) is not None:
                if "opened" in message:
                    self._opened.put(message["opened"])
                elif "error" in message:
                    self._opened.put(message)
                elif "status" in message:
                    self.status = message["status"]
                    self._status_s = time.perf_counter()
                else:
                    if shape := message.get("shape"):
                        message["data"] = self._out.read(4 * shape[0] * shape[1])
                    self.news(message)
        self._opened.put({"error": "the sound process ended before the sound card was open."})
