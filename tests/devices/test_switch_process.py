"""The process that drops what starts a prop when nobody tells it more, or its show is stopped or killed."""

from __future__ import annotations

import os
import queue
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices.board import BoardSwitch
from cuesync.devices.opening import prop_output
from cuesync.devices.ports import HostClock
from cuesync.devices.simulated import SimulatedClock, SimulatedOutput
from cuesync.devices.switch_process import DONE, Lease, SwitchProcess, open_here, serve
from cuesync.errors import DeviceError
from tests import peers

ROOT = Path(__file__).resolve().parents[2]
LATE_S = 1.0
"""A busy machine may take its time; nothing here is measured."""


class Board:
    """The far end of a pseudo-terminal: what a microcontroller there would be told."""

    def __init__(self) -> None:
        self.fd, ours = os.openpty()
        self.ours = ours
        self.address = f"board:{os.ttyname(ours)}:prop"
        self._rest = b""

    def line(self, within_s: float) -> str | None:
        end_s = time.monotonic() + within_s
        while b"\n" not in self._rest:
            ready, _, _ = select.select([self.fd], [], [], max(0.0, end_s - time.monotonic()))
            if not ready:
                return None
            self._rest += os.read(self.fd, 256)
        line, _, self._rest = self._rest.partition(b"\n")
        return line.decode()


@pytest.fixture
def board() -> Iterator[Board]:
    if sys.platform == "win32":
        pytest.skip("no pseudo-terminals")
    pytest.importorskip("serial")
    made = Board()
    yield made
    os.close(made.ours)
    os.close(made.fd)


def test_it_switches_and_drops_what_is_not_kept_up(board: Board) -> None:
    switch = SwitchProcess(board.address, 5.0)
    try:
        assert board.line(LATE_S) == "prop off"
        switch.on(0.3)
        assert board.line(LATE_S) == "prop on 300"
        switch.keep_on(0.3)
        assert board.line(LATE_S) == "prop keep 300"
        assert board.line(0.3 + LATE_S) == "prop off"
        switch.keep_on(0.3)
        assert board.line(0.1) is None  # it is off, and stays so
        assert switch.alive()
    finally:
        switch.close()
    assert board.line(LATE_S) == "prop off"
    assert not switch.alive()
    switch.close()
    with pytest.raises(DeviceError, match="nothing switches"):
        switch.on(0.3)


def test_nothing_keeps_it_on_beyond_the_longest_time(board: Board) -> None:
    switch = SwitchProcess(board.address, 0.2)
    try:
        assert board.line(LATE_S) == "prop off"
        start_s = time.monotonic()
        switch.on(30.0)
        assert (board.line(LATE_S) or "").startswith("prop on")
        switch.keep_on(30.0)
        assert (board.line(LATE_S) or "").startswith("prop keep")
        assert board.line(LATE_S) == "prop off"
        assert time.monotonic() - start_s < 0.2 + LATE_S
    finally:
        switch.close()


SHOW = """
import sys, time
from cuesync.devices.switch_process import SwitchProcess
switch = SwitchProcess(sys.argv[1], 60.0)
switch.on(0.35)
print("on", flush=True)
while True:
    time.sleep(0.05)
    switch.keep_on(0.35)
"""


@pytest.mark.parametrize("sent", ["SIGSTOP", "SIGKILL", "SIGTERM", "SIGINT"])
def test_a_show_that_is_stopped_or_killed_lets_go_of_the_prop(board: Board, sent: str) -> None:
    """The signal goes to all that runs in the show's terminal, as Ctrl-C and Ctrl-Z do.

    Ctrl-Z sends SIGTSTP, which the system leaves out where no shell could continue the program (POSIX).
    """
    show = subprocess.Popen(
        [sys.executable, "-c", SHOW, board.address],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        assert show.stdout is not None
        assert show.stdout.readline() == b"on\n"
        os.killpg(show.pid, getattr(signal, sent))
        end_s = time.monotonic() + 0.35 + LATE_S
        said: list[str | None] = []
        while not said or (said[-1] is not None and time.monotonic() < end_s):
            said.append(board.line(0.35 + LATE_S))
            if said.count("prop off") == 2:  # the first came at the opening
                break
        assert said[-1] == "prop off"
        assert time.monotonic() < end_s
    finally:
        os.killpg(show.pid, signal.SIGCONT)
        show.kill()
        show.wait()
        assert show.stdout is not None
        show.stdout.close()


def test_an_output_that_is_not_there_is_told_with_its_reason() -> None:
    pytest.importorskip("serial")
    with pytest.raises(DeviceError, match=r'"no-such-port" does not open'):
        SwitchProcess("serial:no-such-port:rts", 1.0)


def test_a_process_that_dies_is_noticed(board: Board) -> None:
    switch = SwitchProcess(board.address, 1.0)
    switch._process.kill()
    switch._process.wait()
    assert not switch.alive()
    with pytest.raises(DeviceError):
        switch.on(0.3)
    switch.close()


@pytest.mark.parametrize("goes_on", [True, False])
def test_a_process_that_is_held_up_switches_off_itself_and_one_that_hangs_is_killed(
    board: Board, goes_on: bool
) -> None:
    switch = SwitchProcess(board.address, 5.0)
    try:
        assert board.line(LATE_S) == "prop off"
        switch.on(5.0)
        assert board.line(LATE_S) == "prop on 5000"
        os.kill(switch._process.pid, signal.SIGSTOP)
        with pytest.raises(DeviceError, match="did not answer"):
            switch.keep_on(5.0)
        assert not switch.alive()
        if goes_on:
            os.kill(switch._process.pid, signal.SIGCONT)
            assert board.line(LATE_S) == "prop keep 5000"
            assert board.line(LATE_S) == "prop off"
        assert switch._process.wait(5.0) == (0 if goes_on else -signal.SIGKILL)
    finally:
        switch.close()


@pytest.mark.usefixtures("board")
def test_a_board_that_goes_ends_the_process() -> None:
    gone = Board()
    switch = SwitchProcess(gone.address, 1.0)
    os.close(gone.ours)
    os.close(gone.fd)
    end_s = time.monotonic() + 5.0
    while switch.alive() and time.monotonic() < end_s:
        time.sleep(0.01)
    assert not switch.alive()
    switch.close()


def test_a_board_is_switched_here_and_all_else_in_a_process_of_its_own(board: Board) -> None:
    """A pseudo-terminal has no modem lines; what the process says of that comes through."""
    there = prop_output(board.address, 1.0, HostClock())
    assert isinstance(there, BoardSwitch)
    there.close()
    line = board.address.replace("board:", "serial:").replace(":prop", ":rts")
    with pytest.raises(DeviceError, match=r"can't be switched: .*Plug the adapter in again"):
        prop_output(line, 1.0, HostClock())


def test_each_kind_opens_what_it_names(monkeypatch: pytest.MonkeyPatch, board: Board) -> None:
    factory = peers.module("gpiozero.pins.mock").MockFactory()
    monkeypatch.setattr("cuesync.devices.gpio._own_factory", lambda: factory)
    pin = open_here("gpio:22 low")
    pin.on(1.0)
    assert not factory.pin("GPIO22").state
    pin.close()
    factory.reset()
    with pytest.raises(DeviceError, match="can't be switched"):
        open_here(board.address.replace("board:", "serial:").replace(":prop", ":rts"))
    open_here(board.address).close()


def test_a_driver_that_fails_is_told_and_tried_again_until_the_prop_is_off() -> None:
    class Failing(SimulatedOutput):
        fails = 3

        def off(self) -> None:
            self.fails -= 1
            if self.fails >= 0:
                lines.put("keep 1.0")  # so that the answers can be seen
                raise DeviceError("the line is stuck.")
            super().off()
            lines.put("")

    clock = SimulatedClock()
    lines: queue.SimpleQueue[str] = queue.SimpleQueue()
    output, answers = Failing(clock), list[str]()
    lines.put("on 0.0")
    serve(output, 1.0, lines, answers.append)
    assert answers == [DONE, "the line is stuck.", "the line is stuck.", DONE]
    assert [on for _, on in output.switched] == [True, False]


@pytest.mark.skipif(not hasattr(time, "clock_gettime"), reason="the one clock there is counts sleep")
def test_what_was_on_before_the_computer_slept_is_off_once_it_wakes(monkeypatch: pytest.MonkeyPatch) -> None:
    slept_s = 0.0
    real = time.clock_gettime
    monkeypatch.setattr(time, "clock_gettime", lambda clock: real(clock) + slept_s)

    class Sleeping(SimulatedOutput):
        def on(self, for_s: float) -> None:
            nonlocal slept_s
            super().on(for_s)
            slept_s = 3600.0

        def off(self) -> None:
            super().off()
            lines.put("")

    lines: queue.SimpleQueue[str] = queue.SimpleQueue()
    lines.put("on 60.0")
    output, answers = Sleeping(SimulatedClock()), list[str]()
    giving_up = threading.Timer(2.0, lines.put, ("",))
    giving_up.start()
    output.close = lambda: None  # type: ignore[method-assign]
    serve(output, 60.0, lines, answers.append)
    giving_up.cancel()
    assert not output.is_on


@given(st.lists(st.tuples(st.sampled_from(["on", "keep", "off"]), st.floats(0.0, 3.0), st.floats(0.0, 3.0))))
def test_a_lease_never_outlives_the_longest_time_or_an_off(told: list[tuple[str, float, float]]) -> None:
    lease = Lease(2.0)
    now_s, since_s = 100.0, 0.0
    for word, gap_s, for_s in told:
        now_s += gap_s
        before_s = lease.until_s
        if word == "on":
            since_s = now_s
            lease.on(now_s, for_s)
        elif word == "keep":
            lease.keep(now_s, for_s)
            assert (before_s is None) == (lease.until_s is None)
        else:
            lease.off()
            assert lease.until_s is None
        if lease.until_s is not None:
            assert lease.until_s <= min(since_s + 2.0, now_s + for_s)
