"""Floods and garbage at every kind of contact: nothing crashes or fires that shouldn't; all is counted."""

from __future__ import annotations

import os
import random
import socket
import sys
import time
from collections.abc import Callable
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cuesync.devices import midi, serial_line
from cuesync.devices.board import BoardContacts
from cuesync.devices.keyboard import KeyboardContacts
from cuesync.devices.midi import MidiContacts
from cuesync.devices.mqtt import MqttContacts
from cuesync.devices.osc import OscContacts
from cuesync.devices.polarity import WithPolarity
from cuesync.devices.ports import ContactEdge
from cuesync.devices.serial_line import SerialContacts
from cuesync.hearing.line_edges import LineEdges
from tests import peers
from tests.devices.test_mqtt import Broker, publisher
from tests.devices.test_osc import free_port

MANY = 10_000
pseudo_terminals = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")


def until(true: Callable[[], object], timeout_s: float = 20.0) -> bool:
    end_s = time.monotonic() + timeout_s
    while not true() and time.monotonic() < end_s:
        time.sleep(0.002)
    return bool(true())


def garbage(count: int, longest: int) -> list[bytes]:
    draw = random.Random(8)
    return [draw.randbytes(draw.randint(1, longest)) for _ in range(count)]


@pseudo_terminals
def test_board() -> None:
    """Lines that are none, a flood of edges, levels twice, a name of nobody; counts live through closing."""
    pytest.importorskip("serial")
    board, ours = os.openpty()
    name = os.ttyname(ours)
    edges: list[ContactEdge] = []
    contacts = BoardContacts(name)
    contacts.open([f"board:{name}:pad"], edges.append)
    flood = b"".join(b"pad %d\n" % (index % 2) for index in range(1, MANY + 1))
    lines = [b"\x80rubbish " + piece.hex().encode() for piece in garbage(MANY, 10)]
    for text in (b"\n".join(lines) + b"\n", b"door 1\n", flood):
        for at in range(0, len(text), 1024):
            os.write(board, text[at : at + 1024])
    assert until(
        lambda: sum(contacts.discarded.values()) + sum(not edge.found for edge in edges) == 2 * MANY + 1
    )
    assert contacts.discarded["malformed lines"] == MANY
    # the flood is over, and this is how it left the contact
    assert until(lambda: edges[-1].found and not edges[-1].closed)
    assert contacts.discarded["edges of no contact"] == 1
    assert contacts.alive()
    before = contacts.discarded
    contacts.close()
    assert contacts.discarded == before
    contacts.open([f"board:{name}:pad"], edges.append)
    os.write(board, b"?\n")
    assert until(lambda: contacts.discarded["malformed lines"] == MANY + 1)
    contacts.close()
    os.close(ours)
    os.close(board)


def test_midi(monkeypatch: pytest.MonkeyPatch) -> None:
    """What rtmidi hands over, also twice opened; the first byte of a note is a status of its own."""
    peers.module("mido")

    class Client:
        def set_callback(self, callback: Any) -> None:
            self.callback = callback

        def cancel_callback(self) -> None:
            pass

    class Port:
        client = Client()

        def __init__(self, *_: object) -> None:
            pass

        def close(self) -> None:
            pass

    monkeypatch.setattr(midi, "_Port", Port)
    edges: list[ContactEdge] = []
    contacts = MidiContacts()
    for _ in range(2):
        contacts.open(["midi:60", "midi-cc:64"], edges.append)
        for data in garbage(MANY, 4):
            Port.client.callback((list(data[:1] + b"\xff" + data[1:]), 0.0))
        for index in range(MANY):
            Port.client.callback(([0x90, 61, index % 2], 0.0))
        contacts.close()
    assert edges == []
    told = contacts.discarded
    assert told["malformed messages"] + told["messages for no contact"] == 4 * MANY
    assert told["messages for no contact"] >= 2 * MANY
    contacts.open(["midi:60"], edges.append)
    for index in range(MANY):
        Port.client.callback(([0x90, 60, index % 2], 0.0))
    assert [edge.closed for edge in edges] == [False, True] * (MANY // 2)
    assert contacts.discarded == told


@pseudo_terminals
def test_keyboard() -> None:
    """Other keys, and what keys beside the letters send."""
    typist, keyboard = os.openpty()
    edges: list[ContactEdge] = []
    contacts = KeyboardContacts(keyboard)
    contacts.open(["key:space"], edges.append)
    for _ in range(MANY // 50):
        os.write(typist, b"q" * 50)
        time.sleep(0.0005)
    assert until(lambda: contacts.discarded == {"keys that are no contact": MANY})
    os.write(typist, b"\x1b[A")
    assert until(lambda: contacts.discarded == {"keys that are no contact": MANY + 1})
    assert edges == []
    os.write(typist, b" " * 50)
    assert until(lambda: edges != [])
    contacts.close()
    assert [edge.closed for edge in edges] == [True]  # held, not pressed again and again
    os.close(typist)
    os.close(keyboard)


def test_serial_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """A line that never stops changing: every reading is a change; there is no garbage on a wire."""

    class Adapter:
        rts = dtr = dsr = cd = ri = False
        readings = 0

        @property
        def cts(self) -> bool:
            self.readings += 1
            return self.readings % 2 == 0

        def fileno(self) -> int:
            raise ValueError("no descriptor")

        def close(self) -> None:
            pass

    adapter = Adapter()
    monkeypatch.setattr(serial_line, "open_port", lambda _port: adapter)
    edges: list[ContactEdge] = []
    contacts = SerialContacts("/dev/adapter")
    contacts.open(["serial:/dev/adapter:cts"], edges.append)
    assert until(lambda: len(edges) > 500)
    assert contacts.alive()
    contacts.close()
    assert len(edges) == adapter.readings
    assert all(one.closed != two.closed for one, two in pairwise(edges))
    assert contacts.discarded == {}


def test_osc() -> None:
    port = free_port()
    edges: list[ContactEdge] = []
    contacts = OscContacts(f"127.0.0.1:{port}")
    contacts.open(["osc:/hall/pad"], edges.append)
    wrong = b"/hall/pad\0\0\0,s\0\0word\0\0\0\0"
    other = b"/hall/mat\0\0\0,i\0\0\0\0\0\1"
    with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as sender:
        for index, packet in enumerate([*garbage(MANY, 60), *[wrong] * MANY, *[other] * MANY]):
            sender.sendto(packet, ("127.0.0.1", port))
            if index % 100 == 99:
                until(lambda index=index: sum(contacts.discarded.values()) > index)  # type: ignore[misc]
    contacts.close()
    assert edges == []
    assert contacts.discarded == {
        "malformed packets": MANY,
        "messages that tell nothing": MANY,
        "messages for no contact": MANY,
    }


def test_mqtt(tmp_path: Path) -> None:
    peers.module("paho.mqtt.client")
    broker = Broker(tmp_path)
    broker.start()
    edges: list[ContactEdge] = []
    contacts = MqttContacts(broker.where)
    contacts.open(["mqtt:hall/pad"], edges.append)
    with publisher(broker) as client:
        for index, payload in enumerate(garbage(MANY, 60)):
            sent = client.publish("hall/pad", b"?" + payload, qos=1)
            if index % 100 == 99:  # Mosquitto drops what a subscriber leaves waiting beyond 1000 messages
                sent.wait_for_publish(10.0)
                until(lambda index=index: sum(contacts.discarded.values()) > index)  # type: ignore[misc]
    assert until(lambda: contacts.discarded == {"payloads that tell nothing": MANY})
    assert contacts.alive()
    assert edges == []
    contacts.close()
    broker.stop()


def test_line_input() -> None:
    """White noise of any strength after a quiet start is learned; then it tells of no edges."""
    finder, draw = LineEdges(48000), np.random.default_rng(4)
    finder.feed((0.001 * draw.standard_normal(48000)).astype(np.float32))
    loud = np.clip(0.4 * draw.standard_normal(10 * 48000), -1.0, 1.0).astype(np.float32)
    finder.feed(loud[:48000])
    assert finder.feed(loud[48000:]) == []


def test_polarity_passes_the_counts_on() -> None:
    contacts = OscContacts("127.0.0.1:7770")
    contacts.arrived(b"?", "127.0.0.1", 0.0)
    assert WithPolarity(contacts).discarded == {"malformed packets": 1}
