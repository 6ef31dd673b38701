"""The thread and the callback behind a contact at the sound card's input, with a card that the test plays."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from cuesync.devices import sound_cards, sound_input
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
    monkeypatch.setattr(sound_input, "sounddevice_library", lambda: library)
    monkeypatch.setattr(sound_input, "sound_devices", lambda: (device,))
    return here


@pytest.fixture
def contacts(card: Card) -> Iterator[InputContacts]:
    contacts = InputContacts(clock=card)
    yield contacts
    contacts.close()


def test_a_driver_that_does_not_come_back_from_closing_is_left_behind(
    card: Card, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As PortAudio's JACK side when the server is gone: the night has to end all the same."""
    monkeypatch.setattr(sound_cards, "_CLOSE_S", 0.05)
    contacts = InputContacts(clock=card)
    contacts.open(["microphone:1"], lambda _edge: None)
    may_close, closed = threading.Event(), threading.Event()

    def close(*, ignore_errors: bool) -> None:  # noqa: ARG001
        may_close.wait(10.0)
        closed.set()

    monkeypatch.setattr(contacts._stream, "close", close)
    contacts.close()
    assert not closed.is_set()
    contacts.close()  # nothing is closed twice
    with pytest.raises(DeviceError, match="does not let go of its input"):
        contacts.open(["microphone:1"], lambda _edge: None)
    may_close.set()
    assert closed.wait(5.0)


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
            card.play(blocks(600, 0.3))  # while this thread is in here

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
