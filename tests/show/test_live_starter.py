"""A whole night that starts its prop by a board: a press, a limit switch, signals, kills, and a new start.

The board is the far end of a pseudo-terminal, with the firmware that `cuesync/devices/board.py` asks for.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from cuesync.devices.guard import LEASE_S
from cuesync.show.log import night_files, read_events
from tests.show.test_live import Program

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are a thing of Linux and macOS", allow_module_level=True)

PROGRAM = """
import json, sys
from dataclasses import replace
from pathlib import Path
from cuesync.plan.plan import PlannedDrive
from cuesync.show.live import run_show
from tests.show.plans import plan
port = sys.argv[2]
drive = PlannedDrive(
    output=f"board:{port}:prop", start_s=0.1, latest_start_s=0.1, delay_s=0.0, max_on_s=float(sys.argv[3])
)
scene = plan(sounds=(), delay_s=0.3, reset_s=30.0)
scene = replace(scene, drive=drive, limit_contact=f"board:{port}:end")
def say(event):
    print(json.dumps([event.kind, str(event)]), flush=True)
summary = run_show([scene], log_folder=Path(sys.argv[1]), say=say)
print(json.dumps(["summary", summary.scares]), flush=True)
"""
LATE_S = 1.0
"""A busy machine may take its time; nothing here is measured."""


class Firmware:
    """One output `prop` and one contact `end`, closed while the prop stands reset."""

    def __init__(self) -> None:
        self.fd, self._ours = os.openpty()
        self.port = os.ttyname(self._ours)
        self.history: list[tuple[float, bool]] = []
        self.lines: list[str] = []
        self._end = True
        self._until_s: float | None = None
        self._closing = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    @property
    def on(self) -> bool:
        return self._until_s is not None

    def tell(self, line: str) -> None:
        if line in ("end 0", "end 1"):
            self._end = line == "end 1"
        os.write(self.fd, line.encode() + b"\n")

    def close(self) -> None:
        self._closing = True
        self._thread.join(2.0)
        os.close(self._ours)
        os.close(self.fd)

    def _run(self) -> None:
        rest = b""
        while not self._closing:
            ready, _, _ = select.select([self.fd], [], [], 0.005)
            if ready:
                rest += os.read(self.fd, 1024)
                *lines, rest = rest.split(b"\n")
                for line in lines:
                    self._obey(line.decode())
            if self._until_s is not None and time.monotonic() >= self._until_s:
                self._switch(None)

    def _obey(self, line: str) -> None:
        self.lines.append(line)
        word = line.split()
        if line == "?":
            self.tell(f"end ={int(self._end)}")
        elif word[:2] == ["prop", "on"] or (word[:2] == ["prop", "keep"] and self.on):
            self._switch(time.monotonic() + int(word[2]) / 1000.0)
        elif line == "prop off":
            self._switch(None)

    def _switch(self, until_s: float | None) -> None:
        if (until_s is not None) != self.on:
            self.history.append((time.monotonic(), until_s is not None))
        self._until_s = until_s


@pytest.fixture
def board() -> Iterator[Firmware]:
    pytest.importorskip("serial")
    made = Firmware()
    yield made
    made.close()


@pytest.fixture
def start(board: Firmware, tmp_path: Path) -> Iterator[Callable[[float], Program]]:
    """Starts a night whose prop may be driven for so many seconds."""
    started: list[Program] = []

    def begin(max_on_s: float) -> Program:
        program = Program(tmp_path, board.port, str(max_on_s), code=PROGRAM)
        started.append(program)
        program.wait_for("armed")
        return program

    yield begin
    for program in started:
        program.close()


def until(true: Callable[[], bool], within_s: float = 10.0) -> bool:
    end_s = time.monotonic() + within_s
    while not true() and time.monotonic() < end_s:
        time.sleep(0.002)
    return true()


Start = Callable[[float], Program]


def test_a_press_starts_the_prop_and_its_limit_switch_stops_it(
    board: Firmware, start: Start, tmp_path: Path
) -> None:
    program = start(20.0)
    assert board.history == []
    program.press()
    assert until(lambda: board.on)
    time.sleep(0.5)
    board.tell("end 0")
    time.sleep(0.3)
    assert board.on
    board.tell("end 1")
    program.wait_for("the limit switch closed")
    assert until(lambda: not board.on)
    program.wait_for("armed", 2)
    assert program.end(signal.SIGTERM) == 0
    assert [on for _, on in board.history] == [True, False]
    (log,) = night_files(tmp_path)
    on, off = read_events(log, kinds=["output"])
    assert (on.data["on"], off.data["on"], off.data["why"]) == (True, False, "the limit switch closed")


def test_the_longest_time_stops_it(board: Firmware, start: Start) -> None:
    program = start(0.5)
    program.press()
    program.wait_for("its longest time is over")
    assert until(lambda: len(board.history) == 2)
    (on_s, _), (off_s, _) = board.history
    assert off_s - on_s < 0.5 + LATE_S
    program.end(signal.SIGTERM)


@pytest.mark.parametrize(
    "sent", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGKILL, signal.SIGSTOP]
)
def test_a_night_that_ends_dies_or_is_suspended_lets_go_of_the_prop(
    board: Firmware, start: Start, sent: signal.Signals
) -> None:
    program = start(20.0)
    program.press()
    assert until(lambda: board.on)
    os.kill(program.process.pid, sent)
    sent_s = time.monotonic()
    assert until(lambda: not board.on, LEASE_S + LATE_S)
    assert board.history[-1][0] - sent_s < LEASE_S + LATE_S
    if sent is signal.SIGSTOP:
        os.kill(program.process.pid, signal.SIGCONT)
        program.wait_for("was held up, and the prop was let go")
        program.wait_for("Cellar door: held")
    assert [on for _, on in board.history] == [True, False]


def test_after_a_restart_nothing_is_on_until_the_next_press(board: Firmware, start: Start) -> None:
    program = start(20.0)
    program.press()
    assert until(lambda: board.on)
    program.end(signal.SIGKILL)
    before = len(board.lines)
    again = start(20.0)
    assert board.lines[before:].count("prop off") == 1  # at the opening
    assert not board.on
    time.sleep(0.5)
    assert [on for _, on in board.history] == [True, False]
    again.press()
    assert until(lambda: board.on)
    os.write(again.typist, b"\r")
    again.wait_for("all is stopped")
    assert until(lambda: not board.on)
