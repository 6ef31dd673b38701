"""How exactly contacts are stamped: from the edge to its host time, kind by kind.

python tests/bench/contact_timing.py [KIND …]; Linux and macOS. Each kind is a function that gives, for each
edge, (reported − true) in seconds. A kind says what it leaves out. Jitter is the 99th percentile minus the
median.
"""

from __future__ import annotations

import os
import random
import select
import string
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from cuesync.devices import serial_line
from cuesync.devices.board import BoardContacts
from cuesync.devices.keyboard import KeyboardContacts
from cuesync.devices.midi import MidiContacts
from cuesync.devices.ports import ContactEdge
from tests.show.jackserver import jack_server

EDGES = 1000
BEAT_S = 0.02
WARM_UP_S = 20.0


class Board:
    """A board's end of a pseudo-terminal; its clock runs 100 ppm fast and wraps while it is used.

    Its lines leave at once, or together every `held_s`, as an adapter with a timer of that length sends them.
    It answers for eight contacts whenever it is asked.
    """

    def __init__(self, *, stamped: bool, held_s: float) -> None:
        self._fd, self._ours = os.openpty()
        self.name = os.ttyname(self._ours)
        self._stamped = stamped
        self._held_s = held_s
        self._held: list[bytes] = []
        self._lock = threading.Lock()
        self._start_s = time.perf_counter()
        self._ending = threading.Event()
        self._pad = 0
        self._threads = [threading.Thread(target=each, daemon=True) for each in (self._send, self._answer)]
        for thread in self._threads:
            thread.start()

    def edge(self) -> float:
        """The contact `pad` changes; the host time of that."""
        self._pad = 1 - self._pad
        return self.line(f"pad {self._pad}")

    def line(self, text: str) -> float:
        """Send a line; the host time of what it tells."""
        at_s = time.perf_counter()
        stamp_us = int(4_290e6 + (at_s - self._start_s) * 1e6 * 1.0001) % 2**32
        line = f"{text} {stamp_us}\n" if self._stamped else f"{text}\n"
        with self._lock:
            self._held.append(line.encode())
        if not self._held_s:
            self._hand_over()
        return at_s

    def _hand_over(self) -> None:
        with self._lock:
            lines, self._held = b"".join(self._held), []
        if lines:
            os.write(self._fd, lines)

    def _send(self) -> None:
        while self._held_s and not self._ending.wait(self._held_s):
            self._hand_over()

    def _answer(self) -> None:
        while not self._ending.is_set():
            if select.select([self._fd], [], [], 0.05)[0]:
                for _ in range(os.read(self._fd, 64).count(b"?")):
                    others = "".join(f"\nother{index} =0" for index in range(7))
                    with self._lock:
                        self._held.append(f"pad ={self._pad}{others}\n".encode())
                    if not self._held_s:
                        self._hand_over()

    def close(self) -> None:
        self._ending.set()
        for thread in self._threads:
            thread.join()
        os.close(self._ours)
        os.close(self._fd)


def differences_s(edges: list[ContactEdge], true_s: list[float]) -> list[float]:
    if len(edges) != len(true_s):
        raise SystemExit(f"{len(edges)} of {len(true_s)} edges arrived")
    return [edge.at_s - true for edge, true in zip(edges, true_s, strict=True)]


def board_over_a_pty(*, stamped: bool, held_s: float = 0.0) -> list[float]:
    """Edges every 5 to 45 ms and, where lines are stamped, a beat every 20 ms, also for 20 s before.

    Leaves out USB and the board's own time.
    """
    board = Board(stamped=stamped, held_s=held_s)
    edges: list[ContactEdge] = []
    contacts = BoardContacts(board.name)
    contacts.open([f"board:{board.name}:pad"], lambda edge: None if edge.found else edges.append(edge))
    true_s: list[float] = []
    draw = random.Random(1)
    beat_s = time.perf_counter()
    edge_s = beat_s + (WARM_UP_S if stamped else 0.0)
    while len(true_s) < EDGES:
        next_s = min(beat_s, edge_s) if stamped else edge_s
        time.sleep(max(0.0, next_s - time.perf_counter()))
        if next_s == edge_s:
            true_s.append(board.edge())
            edge_s += draw.uniform(0.005, 0.045)
        else:
            board.line("-")
            beat_s += BEAT_S
    end_s = time.perf_counter() + 5.0
    while len(edges) < EDGES and time.perf_counter() < end_s:
        time.sleep(0.01)
    contacts.close()
    board.close()
    return differences_s(edges, true_s)


def keyboard() -> list[float]:
    """Keys typed at a pseudo-terminal, in turn, as each counts as held for 0.7 s; leaves out the keyboard."""
    typist, ours = os.openpty()
    keys = string.ascii_lowercase
    edges: list[ContactEdge] = []
    contacts = KeyboardContacts(ours)
    contacts.open([f"key:{key}" for key in keys], edges.append)
    true_s: list[float] = []
    draw = random.Random(1)
    for index in range(EDGES // 4):
        time.sleep(draw.uniform(0.03, 0.05))
        true_s.append(time.perf_counter())
        os.write(typist, keys[index % len(keys)].encode())
    time.sleep(0.2)
    contacts.close()
    os.close(typist)
    os.close(ours)
    return differences_s([edge for edge in edges if edge.closed], true_s)


class Adapter:
    """The calls of pyserial's port that `SerialContacts` uses; its lines can't be waited for."""

    rts = dtr = cts = dsr = cd = ri = False

    def fileno(self) -> int:
        raise ValueError("no descriptor")

    def close(self) -> None:
        pass


def serial_polled() -> list[float]:
    """A modem line that is read again and again, as its driver can't wait; leaves out USB and the driver."""
    adapter = Adapter()
    edges: list[ContactEdge] = []
    serial_line.open_port = lambda *_: adapter
    contacts = serial_line.SerialContacts("/dev/adapter")
    contacts.open(["serial:/dev/adapter:cts"], edges.append)
    true_s: list[float] = []
    draw = random.Random(1)
    for index in range(EDGES):
        time.sleep(draw.uniform(0.01, 0.04))
        true_s.append(time.perf_counter())
        adapter.cts = index % 2 == 0
    time.sleep(0.1)
    contacts.close()
    return differences_s(edges[1:], true_s)


NOTES = """
import random, sys, time
import rtmidi
out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, "button")
(port,) = [at for at, name in enumerate(out.get_ports()) if "cuesync" in name]
out.open_port(port)
time.sleep(0.5)
draw = random.Random(1)
for index in range(int(sys.argv[1])):
    time.sleep(draw.uniform(0.01, 0.02))
    print(repr(time.perf_counter()))
    out.send_message([0x90, 60, 100 * (index % 2 == 0)])
time.sleep(0.5)
"""


def midi_over_jack() -> list[float]:
    """Notes of another program, without a cable. JACK hands them on once in its period of 64 frames (1.3 ms).

    On a busy computer it loses some with so short a period; then there is no row.
    """
    edges: list[ContactEdge] = []
    with jack_server(64):
        contacts = MidiContacts(virtual_system="JACK")
        contacts.open(["midi:60"], edges.append)
        words = [sys.executable, "-c", NOTES, str(EDGES)]
        sent = subprocess.run(words, check=True, capture_output=True, text=True).stdout
        contacts.close()
    return differences_s(edges, [float(true) for true in sent.split()])


KINDS: dict[str, Callable[[], list[float]]] = {
    "board": lambda: board_over_a_pty(stamped=True),
    "board-unstamped": lambda: board_over_a_pty(stamped=False),
    "board-held": lambda: board_over_a_pty(stamped=True, held_s=0.016),
    "board-held-unstamped": lambda: board_over_a_pty(stamped=False, held_s=0.016),
    "keyboard": keyboard,
    "serial-polled": serial_polled,
    "midi-over-jack": midi_over_jack,
}


def main() -> None:
    sys.setswitchinterval(0.0005)  # as in a show
    print(
        f"{'kind':<22} {'edges':>6} {'least':>8} {'median':>8} {'p99':>8} {'most':>8} {'jitter':>8}"
        "   ms, reported - true"
    )
    for kind in sys.argv[1:] or KINDS:
        errors_ms = np.array(KINDS[kind]()) * 1000.0
        median, most_of = np.percentile(errors_ms, [50, 99])
        figures = (errors_ms.min(), median, most_of, errors_ms.max(), most_of - median)
        print(f"{kind:<22} {len(errors_ms):>6} " + " ".join(f"{figure:8.3f}" for figure in figures))


if __name__ == "__main__":
    main()
