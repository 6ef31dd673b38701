"""How exactly a prop is started and cut: whole shows with a board at a pseudo-terminal.

    python tests/bench/starter_timing.py [--scares 200]

The far end of the terminal presses a contact, sees the line that switches the prop on, closes the limit
switch and sees the line that switches it off. The start is planned 20 ms after the press, so a lateness near
0 means that the way from the contact to the output costs nothing. Beside it: the same lines through the
process that switches pins and modem lines.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from cuesync.devices.opening import PortSettings
from cuesync.devices.switch_process import SwitchProcess
from cuesync.plan.plan import EARLIEST_START_S, PlannedDrive
from cuesync.show.live import Controls, run_show
from tests.show.plans import plan


class Board:
    def __init__(self) -> None:
        self.fd, self._ours = os.openpty()
        self.port = os.ttyname(self._ours)
        self._rest = b""

    def tell(self, line: str) -> float:
        os.write(self.fd, line.encode() + b"\n")
        return time.perf_counter()

    def wait_for(self, start: str) -> float:
        """When a line that begins so came."""
        while True:
            while b"\n" not in self._rest:
                self._rest += os.read(self.fd, 256)
            now_s = time.perf_counter()
            line, _, self._rest = self._rest.partition(b"\n")
            if line.decode().startswith(start):
                return now_s


def shows(scares: int) -> tuple[list[float], list[float]]:
    """Lateness of each start against its plan, and from the limit switch to the line that cuts."""
    board, stop, armed = Board(), threading.Event(), threading.Semaphore(0)
    drive = PlannedDrive(
        output=f"board:{board.port}:prop",
        start_s=EARLIEST_START_S,
        latest_start_s=EARLIEST_START_S,
        delay_s=0.0,
        max_on_s=5.0,
    )
    scene = replace(
        plan(contact=f"board:{board.port}:pad", sounds=(), delay_s=0.05, reset_s=5.0, debounce_s=0.01),
        drive=drive,
        limit_contact=f"board:{board.port}:end",
    )
    late_s, cut_s = list[float](), list[float]()

    def prop() -> None:
        board.wait_for("?")
        board.tell("pad =0\nend =1")
        for _ in range(scares):
            armed.acquire()
            time.sleep(0.03)
            pressed_s = board.tell("pad 1")
            late_s.append(board.wait_for("prop on") - pressed_s - EARLIEST_START_S)
            board.tell("pad 0\nend 0")
            time.sleep(0.05)
            closed_s = board.tell("end 1")
            cut_s.append(board.wait_for("prop off") - closed_s)
        stop.set()

    threading.Thread(target=prop, daemon=True).start()
    run_show(
        [scene],
        log_folder=Path(tempfile.mkdtemp()),
        say=lambda event: armed.release() if event.text == "armed" else None,
        stop=stop,
        settings=PortSettings(),
        controls=Controls(stop=(), acknowledge=(), arm=()),
    )
    return late_s, cut_s


def process(times: int) -> list[float]:
    """From a call until its line is seen, through the process that switches pins and modem lines."""
    board = Board()
    switch = SwitchProcess(f"board:{board.port}:prop", 60.0)
    took_s = []
    for _ in range(times):
        told_s = time.perf_counter()
        switch.on(1.0)
        took_s.append(board.wait_for("prop on") - told_s)
        time.sleep(0.005)
    switch.close()
    return took_s


def line(what: str, values_s: Sequence[float]) -> None:
    ordered = sorted(values_s)
    p99 = ordered[min(len(ordered) - 1, round(0.99 * len(ordered)))]
    print(
        f"{what:52} {statistics.median(values_s) * 1000:+7.2f} {p99 * 1000:+7.2f} {ordered[-1] * 1000:+7.2f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scares", type=int, default=200)
    scares = parser.parse_args().scares
    print(f"{scares} scares                                        ms: median     p99   worst")
    late_s, cut_s = shows(scares)
    line("start of the prop against its plan", late_s)
    line("from the limit switch until the prop is cut", cut_s)
    line("a call to the switching process until it is done", process(scares))


if __name__ == "__main__":
    main()
