"""What contacts took for nothing is told to the operator, to other programs, and at the end of the night."""

from __future__ import annotations

import os
import socket
import sys
import threading
from pathlib import Path

import pytest

from cuesync.devices.opening import PortSettings
from cuesync.show.board import Board
from cuesync.show.events import Discarded, Fault, ShowEvent, StateChanged, Triggered
from cuesync.show.live import run_show
from cuesync.show.log import read_events
from cuesync.show.states import State
from tests.devices.test_osc import free_port
from tests.show.plans import plan
from tests.show.simulation import Simulation


def test_it_is_told_at_once_then_now_and_then_and_at_the_end() -> None:
    night = Simulation([plan()])
    night.clock.sleep_s(20.0)
    assert night.all(Discarded) == []
    board = Board(["Cellar door"])
    for minute in range(11):
        night.contacts.garbage = {"malformed lines": minute + 1}
        night.clock.sleep_s(60.0)
    assert [event.counts["malformed lines"] for event in night.all(Discarded)] == [1, 6, 11]
    night.watch.count(night.clock.now_s(), last=True)
    *_, last = night.all(Discarded)
    assert str(last) == "button box, taken for nothing so far: malformed lines: 11"
    for event in night.said:
        board.take(event)
    assert board.as_json(night.clock.now_s())["discarded"] == {"button box": {"malformed lines": 11}}
    assert board.troubles(night.clock.now_s()) == ()


def test_ten_thousand_edges_are_one_scare() -> None:
    night = Simulation([plan(reset_s=3.0)])
    now_s = night.clock.now_s()
    for index in range(10_000):
        night.contacts.edge("key:space", index % 2 == 0, now_s + index * 0.0002)
    night.clock.sleep_s(10.0)
    assert len(night.all(Triggered)) == 1
    assert night.all(Fault) == []
    assert night.state() is State.ARMED


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
def test_the_log_of_a_night_ends_with_it(tmp_path: Path) -> None:
    typist, keyboard = os.openpty()
    port, stop, told = free_port(), threading.Event(), list[ShowEvent]()

    def say(event: ShowEvent) -> None:
        told.append(event)
        if isinstance(event, StateChanged) and event.after is State.ARMED:
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
                for _ in range(100):
                    sender.sendto(b"rubbish", ("127.0.0.1", port))
            os.write(typist, b"q")
            threading.Timer(0.5, stop.set).start()

    night = run_show(
        [plan(sounds=(), contact="osc:/hall/pad")],
        log_folder=tmp_path,
        say=say,
        stop=stop,
        settings=PortSettings(keyboard_fd=keyboard, osc_listen=f"127.0.0.1:{port}"),
    )
    os.close(typist)
    os.close(keyboard)
    kept = {each.data["source"]: each.data["counts"] for each in read_events(night.path, kinds=["discarded"])}
    assert kept == {"OSC": {"malformed packets": 100}, "keyboard": {"keys that are no contact": 1}}
    assert not any(isinstance(event, Triggered) for event in told)
