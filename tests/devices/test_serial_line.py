"""Modem lines as contacts, with a stand-in for the port's calls: a pseudo-terminal has no modem lines."""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from cuesync.devices import serial_line
from cuesync.devices.ports import ContactEdge
from cuesync.devices.serial_line import SerialContacts, SerialSwitch
from cuesync.errors import DeviceError


class Adapter:
    """The calls of pyserial's port that are used; its lines can't be waited for."""

    def __init__(self) -> None:
        self.rts = self.dtr = False
        self.cts = self.cd = self.ri = False
        self.gone = self.closed = False
        self._dsr = False

    @property
    def dsr(self) -> bool:
        if self.gone:
            raise OSError(5, "Input/output error")
        return self._dsr

    def fileno(self) -> int:
        raise ValueError("no descriptor")

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def adapter(monkeypatch: pytest.MonkeyPatch) -> Adapter:
    made = Adapter()

    def opened(_port: str, **_settings: Any) -> Adapter:
        return made

    monkeypatch.setattr(serial_line, "open_port", opened)
    return made


def until(true: Callable[[], bool]) -> bool:
    end_s = time.perf_counter() + 5.0
    while not true() and time.perf_counter() < end_s:
        time.sleep(0.001)
    return true()


def test_found_levels_come_first_and_then_edges_with_their_time(adapter: Adapter) -> None:
    adapter.cd = True
    edges: list[ContactEdge] = []
    source = SerialContacts("COM3")
    source.open(["serial:COM3:cts", "serial:COM3:dcd"], edges.append)
    try:
        assert [(e.contact, e.closed, e.found) for e in edges] == [
            ("serial:COM3:cts", False, True),
            ("serial:COM3:dcd", True, True),
        ]
        assert adapter.rts
        assert adapter.dtr
        before_s = time.perf_counter()
        adapter.cts = True
        assert until(lambda: len(edges) == 3)
        assert (edges[2].contact, edges[2].closed, edges[2].found) == ("serial:COM3:cts", True, False)
        assert before_s <= edges[2].at_s <= time.perf_counter()
    finally:
        source.close()
    assert adapter.closed
    adapter.cts = False
    source.close()
    assert len(edges) == 3


def test_a_port_that_vanishes_is_not_alive(adapter: Adapter) -> None:
    source = SerialContacts("COM3")
    source.open(["serial:COM3:dsr"], lambda _edge: None)
    assert source.alive()
    adapter.gone = True
    assert until(lambda: not source.alive())
    source.close()


def test_a_port_without_modem_lines_is_refused(adapter: Adapter) -> None:
    adapter.gone = True
    with pytest.raises(DeviceError, match="has no modem lines"):
        SerialContacts("COM3").open(["serial:COM3:dsr"], lambda _edge: None)
    assert adapter.closed


def test_a_port_that_is_not_there_is_told() -> None:
    pytest.importorskip("serial")
    with pytest.raises(DeviceError, match=r'"no-such-port" does not open: No such file or directory\. Plug'):
        SerialContacts("no-such-port").open(["serial:no-such-port:cts"], lambda _edge: None)


class Lines(Adapter):
    """An adapter that remembers how its two lines stood after each change; opened, it has both raised."""

    def __init__(self) -> None:
        super().__init__()
        self.history = [(True, True)]

    def __setattr__(self, name: str, value: object) -> None:
        if name in ("rts", "dtr") and "history" in self.__dict__:
            if self.gone:
                raise OSError(5, "Input/output error")
            rts, dtr = self.history[-1]
            self.history.append((bool(value), dtr) if name == "rts" else (rts, bool(value)))
        super().__setattr__(name, value)


@pytest.fixture
def lines(monkeypatch: pytest.MonkeyPatch) -> Lines:
    made = Lines()

    def opened(_port: str, **_settings: Any) -> Adapter:
        return made

    monkeypatch.setattr(serial_line, "open_port", opened)
    return made


@pytest.mark.parametrize("line", ["rts", "dtr"])
def test_what_starts_a_prop_is_on_only_while_told_so(lines: Lines, line: str) -> None:
    """Something between RTS and DTR: on where the one is raised and the other is not."""
    on = (True, False) if line == "rts" else (False, True)
    switch = SerialSwitch("COM3", line)
    assert lines.history[-1] == (False, False)
    assert on not in lines.history
    opened = len(lines.history)
    switch.on(1.0)
    assert lines.history[-1] == on
    assert lines.history[opened:].count(on) == 1
    switch.keep_on(1.0)
    assert lines.history[-1] == on
    went_on = len(lines.history)
    switch.off()
    assert on not in lines.history[went_on:]
    switch.on(1.0)
    switch.close()
    assert lines.history[-1] == (False, False)
    assert lines.closed
    switch.close()
    with pytest.raises(DeviceError, match="was given back"):
        switch.on(1.0)


def test_what_starts_a_prop_notices_that_its_adapter_is_gone(lines: Lines) -> None:
    switch = SerialSwitch("COM3", "rts")
    assert switch.alive()
    lines.gone = True
    assert not switch.alive()
    for told in (switch.off, lambda: switch.on(1.0)):
        with pytest.raises(DeviceError, match=r"can't be switched: .*Plug the adapter in again"):
            told()
    switch.close()
    with pytest.raises(DeviceError, match="can't be switched"):
        SerialSwitch("COM3", "rts")


def test_the_system_is_asked_to_drop_the_lines_when_the_program_dies() -> None:
    """POSIX: HUPCL, "hang up on last close"; a pseudo-terminal has that flag, though no lines."""
    termios = pytest.importorskip("termios")
    pytest.importorskip("serial")
    board, ours = os.openpty()
    try:
        settings = termios.tcgetattr(ours)
        settings[2] &= ~termios.HUPCL
        termios.tcsetattr(ours, termios.TCSANOW, settings)
        with pytest.raises(DeviceError, match="can't be switched"):
            SerialSwitch(os.ttyname(ours), "rts")
        assert termios.tcgetattr(ours)[2] & termios.HUPCL
    finally:
        os.close(ours)
        os.close(board)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only Linux waits for lines")
def test_a_port_is_free_again_though_its_line_is_still_waited_for(
    adapter: Adapter, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The wait in the driver keeps a descriptor until the line changes, and with it the lock (flock(2): "a
    lock is released when all of its descriptors are closed", or by an unlock on any of them)."""
    import fcntl

    changed = threading.Event()
    with (tmp_path / "port").open("wb") as port, (tmp_path / "port").open("wb") as other:
        fcntl.flock(port, fcntl.LOCK_EX | fcntl.LOCK_NB)
        adapter.fileno = port.fileno  # type: ignore[method-assign]
        monkeypatch.setattr(fcntl, "ioctl", lambda *_: changed.wait(20.0))
        contacts = SerialContacts("/dev/adapter")
        contacts.open(["serial:/dev/adapter:cts"], lambda _edge: None)
        with pytest.raises(BlockingIOError):
            fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
        contacts.close()
        fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
        changed.set()
