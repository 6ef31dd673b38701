"""The show's side of the sound process against a child that only writes down its orders, and the child's."""

from __future__ import annotations

import io
import signal
import threading
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from cuesync.devices.simulated import SimulatedClock
from cuesync.devices.simulated_sound import SimulatedAudio
from cuesync.show import sound_process
from cuesync.show.prepared import PreparedSound
from cuesync.show.sound import LocalSoundDesk
from cuesync.show.sound_child import SoundChild, read_message, write_message
from cuesync.show.sound_process import RemotePlay, SoundProcess

SOUND = PreparedSound(name="click", rows=np.ones((1, 480), dtype=np.float32), routes=((0, 0),))


class Child:
    """Stands in for `SoundChild`. `opening` is called while the show waits for the card to open."""

    def __init__(self) -> None:
        self.orders: list[str] = []
        self.card: str | None = None
        self.status: dict[str, Any] = {}
        self.news: Callable[[dict[str, Any]], None] = lambda _: None
        self.opening: Callable[[], None] = lambda: None

    def open(self, card: str | None, *order: object) -> None:
        self.card = card
        self.tell({"open": order})

    def opened(self) -> dict[str, Any]:
        self.opening()
        return {"name": "card", "rate_hz": 48000, "channels": 2, "latency_s": 0.0}

    def tell(self, message: dict[str, Any], _data: bytes = b"") -> None:
        kind = next(iter(message))
        self.orders.append(f"{kind} {message[kind]}" if kind in ("play", "loop") else kind)

    def kill(self) -> None:
        self.orders.append("kill")


@pytest.fixture
def children(monkeypatch: pytest.MonkeyPatch) -> list[Child]:
    """Two children: the one at the start, and the one after the restart."""
    both = [Child(), Child()]
    rest = list(both)
    monkeypatch.setattr(sound_process, "SoundChild", lambda: rest.pop(0))
    return both


@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="no such signal")
def test_a_child_that_can_not_be_killed_holds_nothing_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """Inside a driver it takes no signal; somebody is just telling it something, and it doesn't read."""
    child = SoundChild()
    process = child._process
    kill = process.kill
    process.send_signal(signal.SIGSTOP)
    monkeypatch.setattr(process, "kill", lambda: None)
    telling = threading.Thread(target=child.tell, args=({"load": 0}, b"x" * 1_000_000), daemon=True)
    telling.start()
    time.sleep(0.2)
    killing = threading.Thread(target=child.kill, daemon=True)
    killing.start()
    killing.join(2.5)
    told, hangs = not telling.is_alive(), killing.is_alive()
    kill()
    killing.join(5.0)
    telling.join(5.0)
    child.kill()
    assert (told, hangs) == (False, False)


def test_a_press_while_the_card_is_reopened_is_told_once_and_after_the_sounds(children: list[Child]) -> None:
    first, second = children
    desk = SoundProcess(clock=SimulatedClock(0.0))
    desk.start([SOUND])
    desk.play(0, 1.0, 0.9)

    def press() -> None:
        desk.play(0, 2.0, 1.9)
        desk.loop(0)
        desk.dip(0, 1.0, 2.0, 0.5)

    second.opening = press
    desk.restart()
    assert first.orders == ["open", "load", "start", "play 0", "kill"]
    assert second.orders == ["open", "load", "start", "loop 0", "dip", "play 0", "play 1"]


def test_what_is_over_by_the_time_the_card_is_back_is_forgotten(children: list[Child]) -> None:
    """A card that is gone for an hour: what was asked for meanwhile must not crowd out the next scream."""
    _, second = children
    clock = SimulatedClock(0.0)
    desk = SoundProcess(clock=clock)
    desk.start([SOUND])
    desk.dip(0, 1.0, 2.0, 0.5)
    plays: list[RemotePlay] = []

    def hour() -> None:
        for _ in range(1000):
            plays.append(desk.play(0, clock.now_s(), clock.now_s()))
            clock.sleep_s(3.6)
        assert desk.quiet
        plays.append(desk.play(0, clock.now_s() + 3.0, clock.now_s()))
        assert not desk.quiet

    second.opening = hour
    desk.restart()
    assert second.orders == ["open", "load", "start", "play 1000"]
    assert [play.done for play in plays] == [True] * 1000 + [False]


def test_the_card_that_was_gone_is_opened_again_and_no_other(children: list[Child]) -> None:
    """The system's default is another one while it is gone."""
    desk = SoundProcess(clock=SimulatedClock(0.0))
    desk.start([SOUND])
    desk.restart()
    assert [child.card for child in children] == [None, "card"]


def test_what_was_stopped_stays_stopped_after_the_card_is_back(children: list[Child]) -> None:
    _, second = children
    desk = SoundProcess(clock=SimulatedClock(0.0))
    desk.start([SOUND])
    desk.loop(0)
    before = desk.play(0, 1.0, 0.9)
    desk.stop_all()
    during = []

    def stop() -> None:
        during.append(desk.play(0, 2.0, 1.9))
        desk.stop_all()

    second.opening = stop
    desk.restart()
    assert second.orders == ["open", "load", "start"]
    for play in (before, *during):
        assert play.done
        assert play.late_s is None
    assert desk.quiet


def test_a_child_that_hangs_and_takes_no_orders_is_replaced_all_the_same(
    children: list[Child], monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = children
    desk = SoundProcess(clock=SimulatedClock(0.0))
    desk.start([SOUND])
    stuck, killed = threading.Event(), threading.Event()

    def full_pipe(_message: dict[str, Any], _data: bytes = b"") -> None:
        stuck.set()
        killed.wait(10.0)

    monkeypatch.setattr(first, "tell", full_pipe)
    monkeypatch.setattr(first, "kill", killed.set)
    press = threading.Thread(target=desk.play, args=(0, 1.0, 0.9), daemon=True)
    press.start()
    assert stuck.wait(10.0)
    restart = threading.Thread(target=desk.restart, daemon=True)
    restart.start()
    restart.join(5.0)
    assert not restart.is_alive()
    assert second.orders == ["open", "load", "start", "play 0"]


def test_an_order_for_a_sound_the_child_does_not_have_is_answered_and_harms_nothing() -> None:
    def answers(desk: LocalSoundDesk | None) -> dict[str, Any] | None:
        orders, news = io.BytesIO(), io.BytesIO()
        write_message(orders, {"play": 7, "sound": 3, "start_s": 1.0, "trigger_s": 0.9})
        orders.seek(0)
        server = sound_process._Server(orders, news)
        server._desk = desk
        server.run()
        news.seek(0)
        return read_message(news)

    clock = SimulatedClock(0.0)
    audio = SimulatedAudio(clock)
    desk = LocalSoundDesk(audio, lambda: audio)
    desk.start([SOUND])
    clock.sleep_s(0.5)
    for whichever in (None, desk):
        answer = answers(whichever)
        assert answer is not None
        assert answer["done"] == 7
        assert answer["late_s"] is None


def test_a_dip_that_is_told_again_before_the_first_block_is_not_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    """The new card has asked for nothing yet as the orders come."""
    clock = SimulatedClock(0.0)
    audio = SimulatedAudio(clock)
    desk = LocalSoundDesk(audio, lambda: audio)
    desk.start([SOUND])
    orders = io.BytesIO()
    for order in ({"loop": 0}, {"dip": 0, "from_s": 1.0, "to_s": 2.0, "gain": 0.5}):
        write_message(orders, order)
    orders.seek(0)
    server = sound_process._Server(orders, io.BytesIO())
    server._desk, server._clock = desk, clock  # type: ignore[assignment]
    monkeypatch.setattr(server, "_fade", lambda _: None)
    server.run()
    (dip,) = desk._loops[0]._dips
    assert dip[2] == 0.5
