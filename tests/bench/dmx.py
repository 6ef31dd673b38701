"""DMX over E1.31: from command to packet on loopback, and what 16 universes at 44 Hz cost.

Run: python tests/bench/dmx.py
"""

from __future__ import annotations

import socket
import sys
import time

import numpy as np

from cuesync.devices.e131 import E131Sender

_PACKETS = 300
_UNIVERSES = 16
_LENGTH_S = 5.0


def main() -> None:
    sys.setswitchinterval(0.0005)  # as in a show
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as heard:
        heard.bind(("127.0.0.1", 0))
        sender = E131Sender(port=heard.getsockname()[1])
        took_ms = []
        for count in range(_PACKETS):
            value = count % 255 + 1
            began_s = time.perf_counter()
            sender.set(1, 1, (value,))
            while heard.recv(1000)[126] != value:
                pass
            took_ms.append((time.perf_counter() - began_s) * 1000.0)
            time.sleep(0.03)
        p50, p99 = np.percentile(took_ms, (50, 99))
        print(f"command to packet: p50 {p50:.2f} ms, p99 {p99:.2f} ms, max {max(took_ms):.2f} ms")

        began_s, cpu_s, rounds = time.perf_counter(), time.process_time(), 0
        while time.perf_counter() - began_s < _LENGTH_S:
            rounds += 1
            for universe in range(1, _UNIVERSES + 1):
                sender.set(universe, 1, (rounds % 255 + 1,))
            time.sleep(max(0.0, began_s + rounds / 44.0 - time.perf_counter()))
        length_s = time.perf_counter() - began_s
        share = (time.process_time() - cpu_s) / length_s
        print(f"{_UNIVERSES} universes, {rounds / length_s:.1f} changes/s: {share:.1%} of one core")
        sender.close()


if __name__ == "__main__":
    main()
