"""DMX512 slots over the network by ANSI E1.31: the packet, and a sender that outlives network errors.

A change goes out at once, on the caller's thread, but never sooner than a DMX frame after the last packet of
its universe; a thread of the sender's own catches up on what had to wait and repeats what stands. The caller
is told of a network error; the repeats go on trying, so lights come back by themselves.
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
import time
import uuid
from dataclasses import dataclass, field

from cuesync.errors import DeviceError, InputError

PORT = 5568
SLOTS = 512
MULTICAST = "multicast"
_ACN_ID = b"ASC-E1.17\0\0\0"
_DEFAULT_PRIORITY = 100
_TERMINATED = 0x40
_FRAME_S = 1.0 / 44.0
_REPEAT_S = 0.9  # E1.31 asks for 800 to 1000 ms
_LAST_PACKETS = 3


def packet(
    universe: int, slots: bytes, *, sequence: int, cid: bytes, source: str, terminated: bool = False
) -> bytes:
    """One E1.31 data packet of 638 bytes (ANSI E1.31, tables 4-1 to 4-3).

    `slots`: 512 values; `cid`: the sender's 16 bytes; `sequence` wraps at 256; `source` is cut at 63 bytes.
    """
    if len(slots) != SLOTS or len(cid) != 16 or not 1 <= universe <= 63999:
        raise InputError(
            f"universe {universe} with {len(slots)} slots and {len(cid)} bytes of sender does not fit E1.31. "
            f"Allowed are universes 1 to 63999, {SLOTS} slots and 16 bytes."
        )
    name = source.encode()[:63].decode(errors="ignore").encode()
    dmp = struct.pack(">HBBHHHB", 0x7000 | 523, 2, 0xA1, 0, 1, SLOTS + 1, 0) + slots
    options = _TERMINATED if terminated else 0
    frame = struct.pack(
        ">HI64sBHBBH", 0x7000 | 600, 2, name, _DEFAULT_PRIORITY, 0, sequence % 256, options, universe
    )
    root = struct.pack(">HH12sHI16s", 16, 0, _ACN_ID, 0x7000 | 622, 4, cid)
    return root + frame + dmp


def multicast_host(universe: int) -> str:
    """The multicast address of a universe: 1 is 239.255.0.1."""
    return f"239.255.{universe >> 8}.{universe & 255}"


@dataclass(slots=True, kw_only=True, eq=False)
class _Universe:
    slots: bytearray = field(default_factory=lambda: bytearray(SLOTS))
    sequence: int = 0
    sent_s: float = float("-inf")
    waiting: bool = False
    lost: bool = False

    @property
    def due_s(self) -> float:
        return self.sent_s + (_FRAME_S if self.waiting else _REPEAT_S)


class E131Sender:
    """Sends universes, dark at first, to a host or to "multicast". DeviceError for an unknown host."""

    def __init__(self, to: str = "127.0.0.1", *, port: int = PORT, source: str = "cuesync") -> None:
        self._host = None if to == MULTICAST else _look_up(to)
        self._port = port
        self._source = source
        self._cid = uuid.uuid4().bytes
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setblocking(False)
        self._universes: dict[int, _Universe] = {}
        self._open = True
        self._change = threading.Condition()
        self._thread = threading.Thread(target=self._repeat, name="cuesync E1.31", daemon=True)
        self._thread.start()

    def set(self, universe: int, slot: int, value: int) -> None:
        """Give a slot (from 1) a value from 0 to 255, and send. DeviceError when the network fails."""
        with self._change:
            if not self._open:
                raise DeviceError("the DMX lights are closed. Open them again.")
            held = self._universes.setdefault(universe, _Universe())
            if held.slots[slot - 1] == value and held.sequence and not held.lost:
                return
            held.slots[slot - 1] = value
            held.waiting = True
            problem = self._send(universe, held) if time.perf_counter() >= held.due_s else None
            self._change.notify()
        if problem is not None:
            raise DeviceError(
                f"DMX can't be sent: {problem}. Check the network; sending is tried again by itself."
            ) from problem

    def dark(self) -> None:
        """Every slot to 0, at once."""
        with self._change:
            for universe, held in self._universes.items():
                held.slots[:] = bytes(SLOTS)
                held.waiting = True
                if time.perf_counter() >= held.due_s:
                    self._send(universe, held)
            self._change.notify()

    def alive(self) -> bool:
        """False only once closed: a network that fails may come back."""
        return self._open and self._thread.is_alive()

    def close(self) -> None:
        """Dark, then end each universe with three terminated packets, as E1.31 has it."""
        with self._change:
            if not self._open:
                return
            self._open = False
            self._change.notify()
        self._thread.join()
        for universe, held in self._universes.items():
            held.slots[:] = bytes(SLOTS)
            self._send(universe, held)
            for _ in range(_LAST_PACKETS):
                self._send(universe, held, terminated=True)
        self._socket.close()

    def _send(self, universe: int, held: _Universe, *, terminated: bool = False) -> OSError | None:
        """The network's error, if any."""
        data = packet(
            universe,
            bytes(held.slots),
            sequence=held.sequence,
            cid=self._cid,
            source=self._source,
            terminated=terminated,
        )
        held.sequence += 1
        held.sent_s = time.perf_counter()
        held.waiting = False
        try:
            self._socket.sendto(data, (self._host or multicast_host(universe), self._port))
        except OSError as problem:
            held.lost = True
            return problem
        held.lost = False
        return None

    def _repeat(self) -> None:
        with self._change:
            while self._open:
                now_s = time.perf_counter()
                for universe, held in self._universes.items():
                    if held.due_s <= now_s:
                        self._send(universe, held)
                due_s = min((held.due_s for held in self._universes.values()), default=now_s + _REPEAT_S)
                self._change.wait(max(0.0, due_s - time.perf_counter()))


def _look_up(host: str) -> str:
    with contextlib.suppress(OSError, UnicodeError):
        return socket.gethostbyname(host)
    raise DeviceError(f'no host is called "{host}". Give DMX a host\'s name or address, or "{MULTICAST}".')
