"""When the system received what a socket gives us: on Linux it stamps every packet as it comes in.

So it makes no difference how late we wake up. The kernel stamps with the date's clock; only the age of a
stamp is used.
"""

from __future__ import annotations

import math
import platform
import socket
import struct
import sys
import time
from collections.abc import Iterable

from cuesync.devices.ports import Clock

# Python has no names for these. The numbers are those of asm-generic/socket.h, as the usual processors have.
KERNEL_TELLS = sys.platform == "linux" and platform.machine() in ("x86_64", "aarch64", "riscv64")
SO_TIMESTAMPNS = 35
SO_RXQ_OVFL = 40
TOLD_BYTES = 128
_STAMP = struct.Struct("@qq")
_LONGEST_WAIT_S = 1.0
_TRIES = 3


def ask_for_stamps(receiver: socket.socket) -> None:
    """From now on what this socket receives is stamped, where the system can."""
    if KERNEL_TELLS:
        receiver.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)


def received_s(told: Iterable[tuple[int, int, bytes]], clock: Clock) -> float:
    """Host time at which it came in, by what `recvmsg` told beside it; now, where nothing can be known."""
    for level, kind, data in told:
        if (level, kind, len(data)) == (socket.SOL_SOCKET, SO_TIMESTAMPNS, _STAMP.size):
            whole_s, rest_ns = _STAMP.unpack(data)
            now_s, now_ns = _both_clocks(clock)
            age_s: float = (now_ns - whole_s * 1_000_000_000 - rest_ns) / 1e9
            if 0.0 <= age_s <= _LONGEST_WAIT_S:  # else the date was set meanwhile
                return now_s - age_s
    return clock.now_s()


def next_received_s(stream: socket.socket, clock: Clock) -> float:
    """Host time at which the next byte of a TCP stream came in; it stays there to be read."""
    if not KERNEL_TELLS:
        return clock.now_s()
    _, told, _, _ = stream.recvmsg(1, TOLD_BYTES, socket.MSG_PEEK)
    return received_s(told, clock)


def _both_clocks(clock: Clock) -> tuple[float, int]:
    """Host time and the date's nanoseconds of one moment, also where we are held up between the two."""
    best_s, pair = math.inf, (0.0, 0)
    for _ in range(_TRIES):
        before_s, now_ns, after_s = clock.now_s(), time.time_ns(), clock.now_s()
        if after_s - before_s < best_s:
            best_s, pair = after_s - before_s, ((before_s + after_s) / 2.0, now_ns)
    return pair
