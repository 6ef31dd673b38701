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


def board_over_a_pty(*, stamped: bool, late_s: float = 0.0) -> list[float]:
    """Edges every 5 ms and a beat between; `late_s` is how much later a line may leave the board.

    Leaves out USB and the board's own time; the board's clock runs 100 ppm fast.
    """
    board, ours = os.openpty()
    name = os.ttyname(ours)
    found: list[ContactEdge] = []
    done = threading.Event()

    def take(edge: ContactEdge) -> None:
        found.append(edge)
        if len(found) == EDGES:
            done.set()

    contacts = BoardContacts(name)
    contacts.open([f"board:{name}:pad"], take)
    true_s: list[float] = []
    draw = random.Random(1)
    start_s = time.perf_counter()

    def line(text: str) -> float:
        edge_s = time.perf_counter()
        stamp = f" {int((edge_s - start_s) * 1e6 * 1.0001)}" if stamped else ""
        if late_s:
            time.sleep(draw.uniform(0.0, late_s))
        os.write(board, f"{text}{stamp}\n".encode())
        return edge_s

    for index in range(EDGES):
        time.sleep(0.0025)
        if stamped:
            line("-")
        time.sleep(0.0025)
        true_s.append(line(f"pad {(index + 1) % 2}"))
    done.wait(5.0)
    contacts.close()
    os.close(ours)
    os.close(board)
    if len(found) != EDGES:
        raise SystemExit(f"{len(found)} of {EDGES} edges arrived")
    return [edge.at_s - true for edge, true in zip(found, true_s, strict=True)]


KINDS: dict[str, Callable[[], list[float]]] = {
    "board": lambda: board_over_a_pty(stamped=True),
    "board-unstamped": lambda: board_over_a_pty(stamped=False),
    "board-late": lambda: board_over_a_pty(stamped=True, late_s=0.016),
    "board-late-unstamped": lambda: board_over_a_pty(stamped=False, late_s=0.016),
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
