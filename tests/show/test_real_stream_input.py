"""A contact across the sound card's input, through a real PortAudio stream: how steady its times are.

A JACK client makes steps at known frames; the moments at which JACK asks for blocks say when each was due.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from cuesync.devices.opening import PortSettings, contact_sources
from cuesync.devices.ports import ContactEdge, HostClock
from cuesync.show.events import Fault, Recovered, Triggered
from tests.show import jackserver
from tests.show.plans import plan
from tests.show.test_real_stream import Night

pytestmark = [pytest.mark.real_stream, pytest.mark.usefixtures("jack_name")]

EVERY_FRAMES = 4_801  # coprime to the block, so that steps fall at every place in it
BLOCK_S = 256 / 48000
SETTLE_S = 1.5
WATCH_S = 6.3
AROUND_S = 0.4
KEPT_TIME_S = 0.0003
ENOUGH = 12
MOST_TRIES = 5


class _Steps:
    """A JACK client whose output goes up and down every `EVERY_FRAMES`."""

    def __init__(self) -> None:
        import jack

        self._asked: list[tuple[int, float]] = []
        self._client = jack.Client("stepper", no_start_server=True)
        self._port = self._client.outports.register("out")
        self._at = 0
        self._client.set_process_callback(self._process)
        self._client.activate()

    def _process(self, frames: int) -> None:
        asked_s = time.perf_counter()
        places = self._at + np.arange(frames)
        self._port.get_array()[:] = 0.5 * (places // EVERY_FRAMES % 2)
        self._asked.append((self._at, asked_s))
        self._at += frames

    def due_s(self, begin_s: float, end_s: float) -> NDArray[np.float64]:
        """Host times of the steps between two moments, as far as JACK kept time around them.

        By a straight line through the moments around each at which JACK asked for blocks. The dummy driver
        starts its time anew when the computer holds it up: the line is broken there, and tells nothing.
        """
        frames, asked_s = np.array(self._asked).T
        due_s = []
        for step in range(EVERY_FRAMES, self._at, EVERY_FRAMES):
            near = np.abs(asked_s - np.interp(step, frames, asked_s)) < AROUND_S
            slope, start_s = np.polyfit(frames[near] - step, asked_s[near], 1)
            off_s = asked_s[near] - start_s - slope * (frames[near] - step)
            parts = [float(np.median(part)) for part in np.array_split(off_s, 4)]
            if begin_s < start_s < end_s and max(parts) - min(parts) < KEPT_TIME_S:
                due_s.append(start_s)
        return np.array(due_s)

    def connect(self) -> None:
        for port in self._client.get_ports("PortAudio", is_audio=True, is_input=True):
            self._client.connect(self._port, port)

    def close(self) -> None:
        self._client.deactivate()
        self._client.close()


@pytest.fixture
def steps() -> Iterator[_Steps]:
    client = _Steps()
    try:
        yield client
    finally:
        client.close()


def test_edges_keep_their_times_and_none_is_lost(steps: _Steps) -> None:
    errors_s: list[float] = []
    (needed,) = contact_sources(["input:1"], PortSettings(sound_input="system"), HostClock())
    for _ in range(MOST_TRIES):
        edges: list[ContactEdge] = []
        needed.source.open(needed.contacts, edges.append)
        try:
            steps.connect()
            time.sleep(SETTLE_S)
            begin_s = time.perf_counter()
            time.sleep(WATCH_S)
            end_s = time.perf_counter()
            time.sleep(AROUND_S)
            assert needed.source.alive()
        finally:
            needed.source.close()
        assert not needed.source.alive()
        assert not [each for each in threading.enumerate() if each.name == "sound input"]
        closed = [edge.closed for edge in edges if begin_s < edge.at_s < end_s]
        assert needed.source.discarded or all(one != two for one, two in pairwise(closed))
        seen_s = np.array([edge.at_s for edge in edges])
        errors_s += [
            float(seen_s[np.argmin(np.abs(seen_s - at_s))] - at_s) for at_s in steps.due_s(begin_s, end_s)
        ]
        if len(errors_s) >= ENOUGH:
            break

    if len(errors_s) < ENOUGH:
        pytest.skip("the computer held JACK up nearly all the time: there is nothing to compare with")
    spread_ms = 1000.0 * np.abs(np.array(errors_s) - np.median(errors_s))
    print(f"median {1000.0 * np.median(errors_s):.3f} ms, p99 {np.percentile(spread_ms, 99):.3f} ms")
    assert np.percentile(spread_ms, 99) <= 1.0
    # What JACK hands over in one cycle came in at a connector during the cycle before.
    assert abs(float(np.median(errors_s)) + BLOCK_S) <= 0.001


def test_it_opens_again_after_it_was_closed() -> None:
    (needed,) = contact_sources(["input:1"], PortSettings(sound_input="system"), HostClock())
    assert not needed.source.alive()
    edges: list[ContactEdge] = []
    for _ in range(2):
        needed.source.open(needed.contacts, edges.append)
        assert needed.source.alive()
        needed.source.close()
        assert not needed.source.alive()


def test_it_comes_back_after_the_server_was_ended(tmp_path: Path) -> None:
    """The server ends and is started again under the same name; the show goes on all the while."""
    realtime = jackserver.may_be_realtime()
    name, server = jackserver.start_free_server("killed", 256, realtime=realtime)
    before = os.environ["JACK_DEFAULT_SERVER"]
    os.environ["JACK_DEFAULT_SERVER"] = name
    cue = plan(contact="input:1", delay_s=0.1, reset_s=0.3, sounds=(), lights=())
    try:
        with Night([cue], tmp_path, settings=PortSettings(sound_input="system")) as night:
            night.wait_until_armed()
            _press_until_triggered(night, 0.0)
            jackserver.stop_server(server)
            night.wait_for(lambda event: isinstance(event, Fault) and "for input:1 is gone" in event.text)
            server = jackserver.start_server(name, 256, realtime=realtime)
            back = night.wait_for(lambda event: isinstance(event, Recovered))
            _press_until_triggered(night, back.at_s)
    finally:
        os.environ["JACK_DEFAULT_SERVER"] = before
        jackserver.stop_server(server)


def _press_until_triggered(night: Night, from_s: float) -> None:
    time.sleep(SETTLE_S)  # what rest is has to be learned
    client = _Steps()
    try:
        client.connect()
        night.wait_for(lambda event: isinstance(event, Triggered) and event.at_s > from_s)
    finally:
        client.close()
