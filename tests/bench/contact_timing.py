"""How exactly contacts are stamped: from the edge to its host time, kind by kind.

python tests/bench/contact_timing.py [KIND …]; Linux and macOS. Each kind is a function that gives, for each
edge, (reported − true) in seconds. A kind says what it leaves out.
"""

from __future__ import annotations

import os
import random
import sys
import threading
import time
from collections.abc import Callable

import numpy as np

from cuesync.devices.board import BoardContacts
from cuesync.devices.ports import ContactEdge

EDGES = 1000
BEAT_S = 0.02
WARM_UP_S = 20.0


class Board:
    """A board's end of a pseudo-terminal; its clock runs 100 ppm fast and wraps while it is used.

    Its lines leave at once, or together every `held_s`, as an adapter with a timer of that length sends them.
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
        self._thread = threading.Thread(target=self._send, daemon=True)
        self._thread.start()

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

    def close(self) -> None:
        self._ending.set()
        self._thread.join()
        os.close(self._ours)
        os.close(self._fd)


def board_over_a_pty(*, stamped: bool, held_s: float = 0.0) -> list[float]:
    """Edges every 5 to 45 ms and, where lines are stamped, a beat every 20 ms, also for 20 s before.

    Leaves out USB and the board's own time.
    """
    board = Board(stamped=stamped, held_s=held_s)
    found: list[ContactEdge] = []
    contacts = BoardContacts(board.name)
    contacts.open([f"board:{board.name}:pad"], found.append)
    true_s: list[float] = []
    draw = random.Random(1)
    beat_s = time.perf_counter()
    edge_s = beat_s + (WARM_UP_S if stamped else 0.0)
    while len(true_s) < EDGES:
        next_s = min(beat_s, edge_s) if stamped else edge_s
        time.sleep(max(0.0, next_s - time.perf_counter()))
        if next_s == edge_s:
            true_s.append(board.line(f"pad {(len(true_s) + 1) % 2}"))
            edge_s += draw.uniform(0.005, 0.045)
        else:
            board.line("-")
            beat_s += BEAT_S
    end_s = time.perf_counter() + 5.0
    while len(found) < EDGES and time.perf_counter() < end_s:
        time.sleep(0.01)
    contacts.close()
    board.close()
    if len(found) != EDGES:
        raise SystemExit(f"{len(found)} of {EDGES} edges arrived")
    return [edge.at_s - true for edge, true in zip(found, true_s, strict=True)]


KINDS: dict[str, Callable[[], list[float]]] = {
    "board": lambda: board_over_a_pty(stamped=True),
    "board-unstamped": lambda: board_over_a_pty(stamped=False),
    "board-held": lambda: board_over_a_pty(stamped=True, held_s=0.016),
    "board-held-unstamped": lambda: board_over_a_pty(stamped=False, held_s=0.016),
}


def main() -> None:
    print(
        f"{'kind':<22} {'edges':>6} {'least':>8} {'median':>8} {'p99':>8} {'most':>8}   ms, reported - true"
    )
    for kind in sys.argv[1:] or KINDS:
        errors_ms = np.array(KINDS[kind]()) * 1000.0
        figures = (errors_ms.min(), np.median(errors_ms), np.percentile(errors_ms, 99), errors_ms.max())
        print(f"{kind:<22} {len(errors_ms):>6} " + " ".join(f"{figure:8.3f}" for figure in figures))


if __name__ == "__main__":
    main()
