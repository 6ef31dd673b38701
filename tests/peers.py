"""Programs and packages that nobody here wrote, for ours to talk to in tests.

Where one is missing the test is skipped with the reason; with CUESYNC_PEERS=required in the environment it
fails instead, so that a test set-up can't lose them unseen.
"""

from __future__ import annotations

import importlib
import os
import shutil
import struct
import subprocess
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import pytest


def require(there: object, reason: str) -> None:
    """Skip this test for this reason unless `there`; fail it where peers are required."""
    if there:
        return
    if os.environ.get("CUESYNC_PEERS") == "required":
        pytest.fail(f"{reason} (CUESYNC_PEERS=required)")
    pytest.skip(reason)


def module(name: str) -> Any:
    """A package's module, imported."""
    try:
        return importlib.import_module(name)
    except ImportError:
        require(False, f"the Python package with {name} is not installed")
        raise


def program(name: str) -> str:
    """The path of a program; Debian keeps servers where not every user looks."""
    path = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin")
    require(path, f"{name} is not installed")
    assert path is not None
    return path


_LOOPBACK = b"\x7f\0\0\1"
_UDP, _TCP = 17, 6


def dissect(
    folder: Path,
    sent: Iterable[tuple[int, int, bytes]],
    fields: Sequence[str],
    *options: str,
    tcp: bool = False,
) -> list[list[str]]:
    """What tshark reads in each of these (port from, port to, bytes): a text for each field, empty if absent.

    They are packed as UDP, or as the segments of TCP streams, over IPv4 on the loopback.
    """
    tshark = program("tshark")
    # pcap (its file format documentation), link type 101: raw IP
    written = bytearray(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 101))
    passed: Counter[tuple[int, int]] = Counter()
    for source, to, data in sent:
        if tcp:
            head = struct.pack(
                ">HHIIBBHHH", source, to, passed[source, to], passed[to, source], 5 << 4, 0x18, 8192, 0, 0
            )
            passed[source, to] += len(data)
        else:
            head = struct.pack(">HHHH", source, to, 8 + len(data), 0)
        length, protocol = 20 + len(head) + len(data), _TCP if tcp else _UDP
        ip = struct.pack(">BBHHHBBH4s4s", 0x45, 0, length, 1, 0, 64, protocol, 0, _LOOPBACK, _LOOPBACK)
        written += struct.pack("<IIII", 0, 0, length, length) + ip + head + data
    file = folder / "sent.pcap"
    file.write_bytes(written)
    command = [tshark, "-r", str(file), *options, "-T", "fields"]
    for field in fields:
        command += ["-e", field]
    done = subprocess.run(command, check=False, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    return [line.split("\t") for line in done.stdout.splitlines()]
