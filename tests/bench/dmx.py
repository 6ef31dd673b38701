"""DMX over E1.31, ours beside the `sacn` package's sender.

From setting a slot to its packet on loopback, what 16 universes at 44 Hz cost, and what comes through after
the network was down.

Run: python tests/bench/dmx.py
"""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import sacn  # type: ignore[import-untyped]

from cuesync.devices.e131 import PORT, E131Sender

_CHANGES = 300
_UNIVERSES = 16
_RATE_HZ = 44.0
_LENGTH_S = 5.0

Set = Callable[[int, int], None]
"""`set(universe, value)`: slot 1 of a universe."""


@contextmanager
def ours() -> Iterator[Set]:
    sender = E131Sender()
    yield lambda universe, value: sender.set(universe, 1, (value,))
    sender.close()


@contextmanager
def theirs() -> Iterator[Set]:
    sender = sacn.sACNsender(bind_port=0, fps=int(_RATE_HZ), universeDiscovery=False)
    for universe in range(1, _UNIVERSES + 1):
        sender.activate_output(universe)
        sender[universe].destination = "127.0.0.1"

    def set_slot(universe: int, value: int) -> None:
        sender[universe].dmx_data = (value,)

    sender.start()
    yield set_slot
    sender.stop()


def main() -> None:
    sys.setswitchinterval(0.0005)  # as in a show
    for name, made in (("ours", ours), ("sacn", theirs)):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as heard, made() as set_slot:
            heard.bind(("127.0.0.1", PORT))
            took_ms = [_took_ms(heard, set_slot, count % 255 + 1) for count in range(_CHANGES)]
            p50, p99 = np.percentile(took_ms, (50, 99))
            print(f"{name}: set to packet p50 {p50:.2f} ms, p99 {p99:.2f} ms, max {max(took_ms):.2f} ms")
            rate_hz, share = _cost(set_slot)
            print(f"{name}: {_UNIVERSES} universes, {rate_hz:.1f} changes/s: {share:.1%} of one core")
    unshare = shutil.which("unshare")
    if unshare is not None:
        outage = [unshare, "--net", "--map-root-user", sys.executable, "-m", "tests.devices.outage"]
        root = Path(__file__).parents[2]
        subprocess.run(outage, check=False, cwd=root)  # prints what came through; null is nothing


def _took_ms(heard: socket.socket, set_slot: Set, value: int) -> float:
    time.sleep(0.03)
    began_s = time.perf_counter()
    set_slot(1, value)
    while (data := heard.recv(1000))[114] != 1 or data[126] != value:
        pass
    return (time.perf_counter() - began_s) * 1000.0


def _cost(set_slot: Set) -> tuple[float, float]:
    """Rounds a second over all universes, and the share of a core that this process took for it."""
    began_s, cpu_s, rounds = time.perf_counter(), time.process_time(), 0
    while time.perf_counter() - began_s < _LENGTH_S:
        rounds += 1
        for universe in range(1, _UNIVERSES + 1):
            set_slot(universe, rounds % 255 + 1)
        time.sleep(max(0.0, began_s + rounds / _RATE_HZ - time.perf_counter()))
    length_s = time.perf_counter() - began_s
    return rounds / length_s, (time.process_time() - cpu_s) / length_s


if __name__ == "__main__":
    main()
