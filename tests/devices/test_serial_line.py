"""Modem lines as contacts, with a stand-in for the port's calls: a pseudo-terminal has no modem lines."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import pytest

from cuesync.devices import serial_line
from cuesync.devices.ports import ContactEdge
from cuesync.devices.serial_line import SerialContacts
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
    with pytest.raises(DeviceError, match=r'"no-such-port" does not open'):
        SerialContacts("no-such-port").open(["serial:no-such-port:cts"], lambda _edge: None)
