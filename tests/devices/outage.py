"""DMX while the network is down at first and then comes up: what arrives of ours, and of the sacn package's.

Run in a network of its own (Linux): unshare --net --map-root-user python -m tests.devices.outage
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import logging
import socket
import struct
import threading
import time

from cuesync.devices.e131 import PORT, E131Sender
from cuesync.errors import DeviceError
from tests import peers

_SIOCSIFFLAGS = 0x8914
_IFF_UP = 1


def _loopback_up() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as any_socket:
        fcntl.ioctl(any_socket, _SIOCSIFFLAGS, struct.pack("16sH14x", b"lo", _IFF_UP))


def main() -> None:
    """One line of JSON: how often ours refused and failed, and the first value of each that came through."""
    sacn = peers.module("sacn")
    logging.disable()
    heard = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    heard.bind(("", PORT))
    heard.settimeout(0.05)
    refused = 0
    ours = E131Sender()
    theirs = sacn.sACNsender(bind_port=0, universeDiscovery=False)
    theirs.activate_output(2)
    theirs[2].destination = "127.0.0.1"
    threading.excepthook = lambda _: None  # its thread ends with the first error
    theirs.start()
    for value in (10, 20, 30):
        theirs[2].dmx_data = (value,)
        try:
            ours.set(1, 1, (value,))
        except DeviceError:
            refused += 1
        time.sleep(0.1)
    _loopback_up()
    arrived: dict[int, int] = {}
    end_s = time.monotonic() + 3.0
    while time.monotonic() < end_s:
        with contextlib.suppress(TimeoutError):
            data = heard.recv(1000)
            arrived.setdefault(data[114], data[126])
    trouble = ours.trouble
    ours.close()
    print(
        json.dumps(
            {
                "refused": refused,
                "failures": trouble.failures,
                "trouble_now": trouble.now,
                "what": trouble.what,
                "ours": arrived.get(1),
                "sacn": arrived.get(2),
            }
        )
    )
    theirs.stop()


if __name__ == "__main__":
    main()
