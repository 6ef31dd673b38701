"""What is behind a contact at the sound card's input, with a card that the test plays.

The process that reads the card is a thread here, but for the tests of how a real one ends.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from cuesync.devices import input_process, sound_input
from cuesync.devices.ports import ContactEdge, Samples
from cuesync.devices.sound_cards import SoundDevice
from cuesync.devices.sound_input import InputContacts
from cuesync.errors import DeviceError

RATE_HZ = 48000
BLOCK = 256
LATENCY_S = 0.02
"""A block's first sample was in the air this long before the block is handed over, as PortAudio has it."""

START_S = 700.0


class Card:
    """A sound card on a clock of its own: `play` gives what comes in, block by block."""

    def __init__(self) -> None:
        self.frames = 0
        self.lag_s = 0.0
        self.channels = 0
        self.callback: Any = None
        self.devices: tuple[SoundDevice, ...] = ()
        self.starts = 0

    def now_s(self) -> float:
        return START_S + self.lag_s + self.frames / RATE_HZ

    def sleep_s(self, duration_s: float) -> None:  # noqa: ARG002
        raise AssertionError("nobody sleeps on a card")

    def play(self, line: Samples, *, overflow: bool = False) -> None:
        """`line`, shape (frames,), on every input."""
        for at in range(0, len(line), BLOCK):
            block = np.stack([line[at : at + BLOCK]] * self.channels, axis=1)
            self.frames += len(block)
            self.callback(block, len(block), None, SimpleNamespace(input_overflow=overflow and at == 0))
            time.sleep(0.0002)  # the reader keeps up


@pytest.fixture
def card(monkeypatch: pytest.MonkeyPatch) -> Card:
    here = Card()

    class Stream:
        latency = LATENCY_S

        def __init__(self, *, channels: int, callback: Any, **_settings: Any) -> None:
            here.channels, here.callback = channels, callback

        def start(self) -> None:
            pass

        def close(self, *, ignore_errors: bool) -> None:
            pass

    device = SoundDevice(
        name="Card",
        host_api="Test",
        inputs=2,
        outputs=0,
        rate_hz=RATE_HZ,
        output_latency_s=0.0,
        input_latency_s=LATENCY_S,
        default_output=False,
        default_input=True,
    )
    library = SimpleNamespace(InputStream=Stream, PortAudioError=OSError)
    monkeypatch.setattr(input_process, "sounddevice_library", lambda: library)
    monkeypatch.setattr(input_process, "sound_devices", lambda: here.devices)
    here.devices = (device,)

    def start(module: str, channels: str, wanted: str | None = None, *, new_session: bool) -> SimpleNamespace:
        assert module == "cuesync.devices.input_process"
        assert new_session
        here.starts += 1
        their_in, our_in = os.pipe()
        our_out, their_out = os.pipe()
        stdin, stdout = os.fdopen(our_in, "wb"), os.fdopen(our_out, "rb")

        def run() -> None:
            with os.fdopen(their_in, "rb") as orders, os.fdopen(their_out, "wb") as blocks:
                input_process.serve(wanted, int(channels), orders, blocks, here)

        thread = threading.Thread(target=run, daemon=True)
        thread.start()
        return SimpleNamespace(stdin=stdin, stdout=stdout, wait=thread.join)

    monkeypatch.setattr(sound_input, "start_module", start)
    return here


@pytest.fixture
def contacts(card: Card) -> Iterator[InputContacts]:
    contacts = InputContacts(clock=card)
    yield contacts
    contacts.close()


def process_that(does: str, monkeypatch: pytest.MonkeyPatch) -> list[subprocess.Popen[bytes]]:
    """Real processes, which run these lines, instead of those that read the card."""
    started: list[subprocess.Popen[bytes]] = []

    def start(*_arguments: str, new_session: bool) -> subprocess.Popen[bytes]:
        assert new_session
        started.append(
            subprocess.Popen([sys.executable, "-c", does], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        )
        return started[-1]

    monkeypatch.setattr(sound_input, "start_module", start)
    return started


def test_a_driver_that_does_not_come_back_from_closing_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    """As PortAudio's JACK side when the server is gone; and what was open can be opened again."""
    card = '{"label": "Card / Test", "rate_hz": 48000, "latency_s": 0.02}'
    hangs = f"import time; print({card!r}, flush=True); time.sleep(60)"
    started = process_that(hangs, monkeypatch)
    contacts = InputContacts()
    for count in (1, 2):
        contacts.open(["microphone:1"], lambda _edge: None)
        assert contacts.alive()
        contacts.close()
        assert not contacts.alive()
        assert len(started) == count
        assert started[-1].poll() is not None
    assert not [each for each in threading.enumerate() if each.name == "sound input"]


@pytest.mark.parametrize("does", ["", "print('{', end='')"])
def test_a_process_that_ends_by_itself_is_said(does: str, monkeypatch: pytest.MonkeyPatch) -> None:
    process_that(does, monkeypatch)
    with pytest.raises(DeviceError, match="ended before the card was open"):
        InputContacts().open(["input:1"], lambda _edge: None)


def test_a_card_that_does_not_answer_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sound_input, "_OPEN_WITHIN_S", 0.1)
    started = process_that("import time; time.sleep(60)", monkeypatch)
    with pytest.raises(DeviceError, match="the sound card has not answered"):
        InputContacts().open(["input:1"], lambda _edge: None)
    assert started[0].poll() is not None


def test_a_card_that_is_gone_is_looked_for_once_a_second(card: Card, contacts: InputContacts) -> None:
    contacts.open(["input:1"], lambda _edge: None)
    there, card.devices = card.devices, (replace(card.devices[0], name="Other"),)
    for _ in range(3):  # the other is the default now, but it is not the one that was opened
        with pytest.raises(DeviceError, match=r'is called "Card / Test"\. There are: "Other / Test"'):
            contacts.open(["input:1"], lambda _edge: None)
    assert card.starts == 2
    card.lag_s += 1.0
    card.devices = there
    contacts.open(["input:1"], lambda _edge: None)
    assert contacts.alive()


def until(true: Callable[[], object]) -> bool:
    end_s = time.monotonic() + 5.0
    while not true() and time.monotonic() < end_s:
        time.sleep(0.001)
    return bool(true())


def blocks(count: int, level: float = 0.0) -> Samples:
    return np.full(count * BLOCK, level, dtype=np.float32)


def hum(count: int, from_frame: int) -> Samples:
    frames = from_frame + np.arange(count * BLOCK)
    return (0.9 * np.sin(2.0 * np.pi * 50.0 * frames / RATE_HZ)).astype(np.float32)


def test_edges_have_the_host_times_of_their_samples(card: Card, contacts: InputContacts) -> None:
    edges: list[ContactEdge] = []
    contacts.open(("input:2",), edges.append)
    card.play(blocks(400))
    pressed = blocks(200)
    pressed[1000:9000] = 0.3
    began_s = card.now_s()
    card.play(pressed)
    assert until(lambda: len(edges) == 2)
    assert [(edge.contact, edge.closed, edge.found) for edge in edges] == [
        ("input:2", True, False),
        ("input:2", False, False),
    ]
    true_s = [began_s + (BLOCK + frame) / RATE_HZ - LATENCY_S for frame in (1000, 9000)]
    assert [edge.at_s for edge in edges] == pytest.approx(true_s, abs=0.0001)
    assert contacts.discarded == {}


def test_lost_blocks_are_counted_and_are_no_press(card: Card, contacts: InputContacts) -> None:
    """The card lost three blocks of a humming line, and says so."""
    edges: list[ContactEdge] = []
    contacts.open(("input:1",), edges.append)
    card.play(hum(400, 0))
    card.lag_s += 3 * BLOCK / RATE_HZ
    card.play(hum(100, 403 * BLOCK), overflow=True)
    pressed = hum(100, 503 * BLOCK)
    pressed[1000:] += 0.3
    began_s = card.now_s()
    card.play(pressed)
    assert until(lambda: len(edges) == 1)
    assert edges[0].at_s == pytest.approx(began_s + (BLOCK + 1000) / RATE_HZ - LATENCY_S, abs=0.0001)
    assert contacts.discarded == {"lost blocks": 3, "overflows of the card": 1}
    contacts.close()
    assert contacts.discarded == {"lost blocks": 3, "overflows of the card": 1}


def test_loss_that_nobody_tells_of_is_counted(card: Card, contacts: InputContacts) -> None:
    contacts.open(("input:1",), lambda _edge: None)
    card.play(blocks(400))
    card.lag_s += 20 * BLOCK / RATE_HZ
    card.play(blocks(200))
    assert until(lambda: contacts.discarded == {"lost blocks": 20})


def test_a_reader_that_is_held_up_loses_the_oldest_and_goes_on(card: Card, contacts: InputContacts) -> None:
    edges: list[ContactEdge] = []

    def sink(edge: ContactEdge) -> None:
        edges.append(edge)
        if len(edges) == 1:
            card.play(blocks(800, 0.3))  # while this thread is in here

    contacts.open(("input:1",), sink)
    card.play(blocks(400))
    card.play(blocks(1, 0.3))
    card.play(blocks(1, 0.3))
    assert until(lambda: contacts.discarded.get("lost blocks", 0) > 200)
    card.play(blocks(100, 0.0))
    assert until(lambda: len(edges) == 2)
    assert [edge.closed for edge in edges] == [True, False]
    assert contacts.alive()


def test_a_block_of_another_length_does_not_stop_the_card(card: Card, contacts: InputContacts) -> None:
    contacts.open(("input:1",), lambda _edge: None)
    card.play(blocks(10))
    card.play(blocks(1)[:100])
    card.play(blocks(10))
    assert until(lambda: contacts.discarded == {"overflows of the card": 1})
    assert contacts.alive()
