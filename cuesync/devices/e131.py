"""DMX512 slots over the network by ANSI E1.31: the packet, and a sender that outlives network errors.

A change goes out at once, on the caller's thread, as long as its universe keeps to the rate of DMX on the
whole (a few packets may follow each other at once). A thread of the sender's own catches up on what had to
wait and repeats what stands. The caller is told of a network error; the repeats go on trying, so lights come
back by themselves, and what failed is counted.
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
import time
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from cuesync.devices.fixtures import SLOTS
from cuesync.devices.ports import Trouble
from cuesync.devices.universe_pace import REPEAT_S, UniversePace
from cuesync.errors import DeviceError, InputError

PORT = 5568
MULTICAST = "multicast"
_ACN_ID = b"ASC-E1.17\0\0\0"
DEFAULT_PRIORITY = 100
HIGHEST_PRIORITY = 200
_TERMINATED = 0x40
_LAST_PACKETS = 3


def packet(
    universe: int,
    slots: bytes,
    *,
    sequence: int,
    cid: bytes,
    source: str,
    priority: int = DEFAULT_PRIORITY,
    terminated: bool = False,
) -> bytes:
    """One E1.31 data packet of 638 bytes (ANSI E1.31, tables 4-1 to 4-3).

    `slots`: 512 values; `cid`: the sender's 16 bytes; `sequence` wraps at 256; `source` is cut at 63 bytes;
    `priority`: 0 to 200, the highest of several senders wins.
    """
    fits = len(slots) == SLOTS and len(cid) == 16 and 1 <= universe <= 63999
    if not fits or not 0 <= priority <= HIGHEST_PRIORITY:
        raise InputError(
            f"universe {universe} with {len(slots)} slots, {len(cid)} bytes of sender, priority {priority} "
            f"does not fit E1.31. Allowed are universes 1 to 63999, {SLOTS} slots, 16 bytes, priorities 0 to "
            f"{HIGHEST_PRIORITY}."
        )
    name = source.encode()[:63].decode(errors="ignore").encode()
    dmp = struct.pack(">HBBHHHB", 0x7000 | 523, 2, 0xA1, 0, 1, SLOTS + 1, 0) + slots
    options = _TERMINATED if terminated else 0
    frame = struct.pack(">HI64sBHBBH", 0x7000 | 600, 2, name, priority, 0, sequence % 256, options, universe)
    root = struct.pack(">HH12sHI16s", 16, 0, _ACN_ID, 0x7000 | 622, 4, cid)
    return root + frame + dmp


def multicast_host(universe: int) -> str:
    """The multicast address of a universe: 1 is 239.255.0.1."""
    return f"239.255.{universe >> 8}.{universe & 255}"


@dataclass(slots=True, kw_only=True, eq=False)
class _Universe(UniversePace):
    slots: bytearray
    sequence: int = 0
    lost: bool = False


class E131Sender:
    """Sends universes, dark at first.

    `to`: a host (IPv4 or IPv6), "multicast", or "multicast:ADDRESS" out of the network card that has this
    address; multicast is IPv4 only. `dark`: what all slots of a universe hold while all is dark, where that
    is not 0. DeviceError for an unknown host or card.
    """

    def __init__(
        self,
        to: str = "127.0.0.1",
        *,
        port: int = PORT,
        source: str = "cuesync",
        priority: int = DEFAULT_PRIORITY,
        dark: Mapping[int, bytes] | None = None,
    ) -> None:
        self._dark = {} if dark is None else dict(dark)
        self._port = port
        self._source = source
        self._priority = priority
        self._cid = uuid.uuid4().bytes
        kind, _, card = to.partition(":")
        family = socket.AF_INET
        self._where: Any = None  # multicast has an address for each universe
        if kind != MULTICAST:
            family, self._where = _look_up(to, port)
        self._socket = socket.socket(family, socket.SOCK_DGRAM)
        self._socket.setblocking(False)
        if self._where is None and card:
            self._leave_by(card)
        self._universes: dict[int, _Universe] = {}
        self._failures = 0
        self._problem = ""
        self._open = True
        self._change = threading.Condition()
        self._thread = threading.Thread(target=self._repeat, name="cuesync E1.31", daemon=True)
        self._thread.start()

    def _leave_by(self, card: str) -> None:
        try:
            self._socket.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(card))
        except OSError as problem:
            self._socket.close()
            raise DeviceError(
                f'no network card here has the address "{card}": {problem}. '
                f'Give DMX "{MULTICAST}:" and the IPv4 address of one.'
            ) from problem

    def set(self, universe: int, slot: int, values: Sequence[int]) -> None:
        """Give the slots from this one (counted from 1) on values from 0 to 255, and send.

        DeviceError when the network fails.
        """
        with self._change:
            if not self._open:
                raise DeviceError("the DMX lights are closed. Open them again.")
            if universe not in self._universes:
                self._universes[universe] = _Universe(slots=bytearray(self._dark_slots(universe)))
            held = self._universes[universe]
            place = slice(slot - 1, slot - 1 + len(values))
            if held.slots[place] == bytes(values) and held.sequence and not held.lost:
                return
            held.slots[place] = bytes(values)
            held.waiting = True
            problem = self._send(universe, held) if time.perf_counter() >= held.due_s else None
            self._change.notify()
        if problem is not None:
            raise DeviceError(
                f"DMX can't be sent: {problem}. Check the network; sending is tried again by itself."
            ) from problem

    @property
    def trouble(self) -> Trouble:
        """What failed since the start, and whether any universe still can't be sent."""
        with self._change:
            now = any(held.lost for held in self._universes.values())
            return Trouble(failures=self._failures, now=now, what=self._problem)

    def dark(self) -> None:
        """Every slot as it is in the dark, at once."""
        with self._change:
            for universe, held in self._universes.items():
                held.slots[:] = self._dark_slots(universe)
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
            held.slots[:] = self._dark_slots(universe)
            self._send(universe, held)
            for _ in range(_LAST_PACKETS):
                self._send(universe, held, terminated=True)
        self._socket.close()

    def _dark_slots(self, universe: int) -> bytes:
        return self._dark.get(universe, bytes(SLOTS))

    def _send(self, universe: int, held: _Universe, *, terminated: bool = False) -> OSError | None:
        """The network's error, if any."""
        data = packet(
            universe,
            bytes(held.slots),
            sequence=held.sequence,
            cid=self._cid,
            source=self._source,
            priority=self._priority,
            terminated=terminated,
        )
        held.sequence += 1
        held.sent(time.perf_counter())
        try:
            self._socket.sendto(data, self._where or (multicast_host(universe), self._port))
        except OSError as problem:
            held.lost = True
            self._failures += 1
            self._problem = f"DMX can't be sent: {problem}"
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
                due_s = min((held.due_s for held in self._universes.values()), default=now_s + REPEAT_S)
                self._change.wait(max(0.0, due_s - time.perf_counter()))


def _look_up(host: str, port: int) -> tuple[socket.AddressFamily, Any]:
    """Family and socket address of a host; IPv4 where it has both."""
    with contextlib.suppress(OSError, UnicodeError):
        found = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)
        family, _, _, _, where = min(found, key=lambda each: each[0] != socket.AF_INET)
        return family, where
    raise DeviceError(f'no host is called "{host}". Give DMX a host\'s name or address, or "{MULTICAST}".')
