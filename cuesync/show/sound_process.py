"""The sound desk in a process of its own, so that nothing else can disturb the sound, nor the sound the rest.

Python threads take turns; a busy one makes the sound card's thread late. And a driver may hang, crash or
abort its program when the card or the sound server goes (PortAudio on JACK does). So the show talks to a
child process over pipes: orders go in, with host times (which all processes of a computer share), news
comes out. When the card is gone the child is killed and another one started, which looks at all devices
anew. When the show dies, the child fades out and ends.
"""

from __future__ import annotations

import contextlib
import gc
import os
import queue
import sys
import threading
from collections.abc import Sequence
from importlib import import_module
from typing import Any, BinaryIO

import numpy as np

from cuesync.child import begin_child
from cuesync.devices.ports import Clock, HostClock
from cuesync.errors import DeviceError
from cuesync.hearing.awaited import Stretch
from cuesync.show.prepared import PreparedSound
from cuesync.show.sound import LocalPlay, LocalSoundDesk, SoundCounts
from cuesync.show.sound_child import SoundChild, read_message, write_message

_NEWS_EVERY_S = 0.02
_LOCK_WITHIN_S = 0.002
_STATUS_EVERY_S = 0.1
_SWITCH_INTERVAL_S = 0.0005
_ANSWER_WITHIN_S = 2.0


class RemotePlay:
    """A sound that the child was told to play."""

    __slots__ = ("done", "late_s", "missed_s", "sound", "start_s", "stopped", "trigger_s")

    def __init__(self, sound: int, start_s: float, trigger_s: float) -> None:
        self.sound = sound
        self.start_s = start_s
        self.trigger_s = trigger_s
        self.stopped = False
        self.done = False
        self.late_s: float | None = None
        self.missed_s = 0.0


class SoundProcess:
    """The show's side; a `sound.SoundDesk`. DeviceError where the card can't be opened."""

    def __init__(
        self,
        wanted: str | None = None,
        *,
        channels: int = 2,
        rate_hz: int | None = None,
        block_frames: int | None = None,
        clock: Clock | None = None,
        child: SoundChild | None = None,
    ) -> None:
        """`child` may have been started, and asked to open this card, a while ago."""
        self._wanted = wanted
        self._block_frames = block_frames
        self._clock: Clock = HostClock() if clock is None else clock
        self._sounds: tuple[PreparedSound, ...] = ()
        self._plays: dict[int, RemotePlay] = {}
        # Guards what is to be heard; who holds it also tells the child, so that the child hears in order.
        self._plays_lock = threading.Lock()
        self._begun = False
        """The child has the sounds and takes orders; until then they wait for `_begin`."""
        self._dips: list[dict[str, Any]] = []
        self._next_play = 0
        self._loops: set[int] = set()
        self._keeps_played = False
        self._asking = threading.Lock()
        self._answers: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self._asked = 0
        self._past = SoundCounts()
        self._closed = False
        if child is None:
            child = SoundChild()
            child.open(wanted, channels, rate_hz, block_frames)
        child.news = self._news
        self._child = child
        opened = self._opened()
        self.name = str(opened["name"])
        self._wanted = self.name  # not what may be the default card once this one is gone
        self.rate_hz = int(opened["rate_hz"])
        self.channels = int(opened["channels"])
        self.latency_s = float(opened["latency_s"])

    def _opened(self) -> dict[str, Any]:
        try:
            return self._child.opened()
        except DeviceError:
            self._child.kill()
            raise

    @property
    def block_frames(self) -> int:
        return int(self._child.status.get("block_frames", 0))

    @property
    def locked(self) -> bool:
        return bool(self._child.status.get("locked"))

    @property
    def quiet(self) -> bool:
        with self._plays_lock:
            self._forget_past()
            return not self._plays

    @property
    def counts(self) -> SoundCounts:
        return _sum(self._past, _counts(self._child.status))

    def start(self, sounds: Sequence[PreparedSound]) -> None:
        self._sounds = tuple(sounds)
        self._begin()

    def play(self, sound: int, start_s: float, trigger_s: float) -> RemotePlay:
        play = RemotePlay(sound, start_s, trigger_s)
        with self._plays_lock:
            self._forget_past()
            number = self._next_play
            self._next_play += 1
            self._plays[number] = play
            self._tell_of(number, play)
        return play

    def loop(self, sound: int) -> None:
        with self._plays_lock:
            if sound not in self._loops:
                self._loops.add(sound)
                self._tell({"loop": sound})

    def dip(self, sound: int, from_s: float, to_s: float, gain: float) -> None:
        order = {"dip": sound, "from_s": from_s, "to_s": to_s, "gain": gain}
        with self._plays_lock:
            self._dips = [dip for dip in self._dips if dip["to_s"] > self._clock.now_s()]
            self._dips.append(order)
            self._tell(order)

    def keep_played(self) -> None:
        with self._plays_lock:
            if not self._keeps_played:
                self._keeps_played = True
                self._tell({"keep": True})

    def played(self, from_s: float, to_s: float) -> Stretch | None:
        with self._asking:
            self._asked += 1
            with self._plays_lock:
                self._tell({"played": self._asked, "from_s": from_s, "to_s": to_s})
            try:
                while True:
                    answer = self._answers.get(timeout=_ANSWER_WITHIN_S)
                    if answer["played"] == self._asked:
                        break
            except queue.Empty:
                return None
        if "data" not in answer:
            return None
        samples = np.frombuffer(answer["data"], dtype="<f4").reshape(answer["shape"]).astype(np.float32)
        return Stretch(samples=samples, rate_hz=self.rate_hz, start_s=from_s)

    def stop_all(self) -> None:
        with self._plays_lock:
            self._loops.clear()
            self._dips.clear()
            for play in self._plays.values():
                play.stopped = True
            self._tell({"stop": True})

    def alive(self) -> bool:
        return not self._closed and self._child.alive(self._clock.now_s())

    def restart(self) -> None:
        """Kill the child, if it still lives, and start another; what is still to be heard is told again."""
        self._past = _sum(self._past, _counts(self._child.status))
        self._child.kill()  # before the lock: whoever holds it may be stuck telling a child that hangs
        with self._plays_lock:
            self._begun = False
        self._child = SoundChild()
        self._child.news = self._news
        self._child.open(self._wanted, self.channels, self.rate_hz, self._block_frames)
        self._opened()
        self._begin()

    def close(self) -> None:
        self._closed = True
        self._child.end()
        with self._plays_lock:
            for play in self._plays.values():
                play.done = True
            self._plays.clear()

    def _begin(self) -> None:
        for sound in self._sounds:
            header = {
                "load": sound.name,
                "shape": list(sound.rows.shape),
                "routes": list(sound.routes),
                "hit_frames": sound.hit_frames,
            }
            self._child.tell(header, np.ascontiguousarray(sound.rows, dtype="<f4").tobytes())
        self._child.tell({"start": True})
        with self._plays_lock:
            self._forget_past()
            self._begun = True
            if self._keeps_played:
                self._tell({"keep": True})
            for sound_number in sorted(self._loops):
                self._tell({"loop": sound_number})
            for dip in self._dips:
                self._tell(dip)
            for number, play in self._plays.items():
                self._tell_of(number, play)

    def _forget_past(self) -> None:
        """While no child takes orders: end what was stopped, or would be over by now."""
        if self._begun:
            return
        now_s = self._clock.now_s()
        self._dips = [dip for dip in self._dips if dip["to_s"] > now_s]
        for number, play in list(self._plays.items()):
            length_s = self._sounds[play.sound].frames / self.rate_hz
            if play.stopped or play.start_s + length_s < now_s:
                del self._plays[number]
                play.done = True

    def _tell_of(self, number: int, play: RemotePlay) -> None:
        times = {"start_s": play.start_s, "trigger_s": play.trigger_s}
        self._tell({"play": number, "sound": play.sound, **times})

    def _tell(self, order: dict[str, Any]) -> None:
        if self._begun:
            self._child.tell(order)

    def _news(self, message: dict[str, Any]) -> None:
        """A message of the child, on the thread that reads them."""
        if "played" in message:
            self._answers.put(message)
        if "done" in message:
            with self._plays_lock:
                play = self._plays.pop(int(message["done"]), None)
            if play is not None:
                late_s = message["late_s"]
                play.late_s = None if late_s is None else float(late_s)
                play.missed_s = float(message.get("missed_s", 0.0))
                play.done = True


def _counts(status: dict[str, Any]) -> SoundCounts:
    names = ("dropouts", "skipped_frames", "failures", "limited_blocks")
    return SoundCounts(**{name: int(status.get(name, 0)) for name in names})


def _sum(one: SoundCounts, two: SoundCounts) -> SoundCounts:
    return SoundCounts(
        dropouts=one.dropouts + two.dropouts,
        skipped_frames=one.skipped_frames + two.skipped_frames,
        failures=one.failures + two.failures,
        limited_blocks=one.limited_blocks + two.limited_blocks,
    )


# -- the child's side


class _Server:
    """Obeys the orders on one pipe and sends news on the other."""

    def __init__(self, orders: BinaryIO, news: BinaryIO) -> None:
        self._orders = orders
        self._news = news
        self._telling = threading.Lock()
        self._desk: LocalSoundDesk | None = None
        self._sounds: list[PreparedSound] = []
        self._plays: dict[int, LocalPlay] = {}
        self._clock = HostClock()
        self._ending = threading.Event()

    def run(self) -> None:
        reporter = threading.Thread(target=self._report, daemon=True)
        while (message := read_message(self._orders)) is not None:
            if "open" in message:
                if not self._open(message["open"]):
                    return
            elif "load" in message:
                rows, frames = message["shape"]
                data = self._orders.read(4 * rows * frames)
                samples = np.frombuffer(data, dtype="<f4").reshape(rows, frames).astype(np.float32)
                routes = tuple((int(row), int(output)) for row, output in message["routes"])
                sound = PreparedSound(
                    name=message["load"], rows=samples, routes=routes, hit_frames=message["hit_frames"]
                )
                self._sounds.append(sound)
            elif "start" in message and self._desk is not None:
                self._desk.start(self._sounds)
                reporter.start()
            elif "play" in message:
                self._play(message)
            elif "loop" in message and self._desk is not None:
                self._desk.loop(int(message["loop"]))
            elif "dip" in message and self._desk is not None:
                self._dip(self._desk, message)
            elif "keep" in message and self._desk is not None:
                self._desk.keep_played()
            elif "played" in message and self._desk is not None:
                # a thread of its own: a large answer must keep no order waiting
                threading.Thread(target=self._played, args=(self._desk, message), daemon=True).start()
            elif "stop" in message and self._desk is not None:
                self._desk.stop_all()
        self._ending.set()
        if self._desk is not None:
            self._fade(self._desk)

    def _open(self, order: dict[str, Any]) -> bool:
        from cuesync.devices.portaudio import PortAudioOutput

        try:
            audio = PortAudioOutput(
                order["device"],
                channels=order["channels"],
                rate_hz=order["rate_hz"],
                block_frames=order["block_frames"],
            )
            self._desk = LocalSoundDesk(audio, lambda: audio)
            self._desk.warm_up()  # by the time the sounds are here the timeline is found
        except DeviceError as problem:
            self._tell({"error": str(problem)})
            return False
        opened = {
            "name": audio.name,
            "rate_hz": audio.rate_hz,
            "channels": audio.channels,
            "latency_s": audio.latency_s,
        }
        self._tell({"opened": opened})
        return True

    def _play(self, order: dict[str, Any]) -> None:
        number, desk = int(order["play"]), self._desk
        if desk is None:
            self._tell({"done": number, "late_s": None})
            return
        self._await_lock(desk)
        try:
            self._plays[number] = desk.play(
                int(order["sound"]), float(order["start_s"]), float(order["trigger_s"])
            )
        except (RuntimeError, IndexError):  # no block was asked for, or there is no such sound
            self._tell({"done": number, "late_s": None})

    def _await_lock(self, desk: LocalSoundDesk) -> None:
        """After a restart an order may come before the card has asked for its first block."""
        while not desk.locked and desk.alive():
            self._clock.sleep_s(0.005)

    def _dip(self, desk: LocalSoundDesk, message: dict[str, Any]) -> None:
        self._await_lock(desk)
        with contextlib.suppress(RuntimeError):  # the card has gone before its first block
            desk.dip(int(message["dip"]), message["from_s"], message["to_s"], message["gain"])

    def _played(self, desk: LocalSoundDesk, order: dict[str, Any]) -> None:
        stretch = desk.played(float(order["from_s"]), float(order["to_s"]))
        answer: dict[str, Any] = {"played": order["played"]}
        if stretch is None:
            self._tell(answer)
        else:
            answer["shape"] = list(stretch.samples.shape)
            samples = np.ascontiguousarray(stretch.samples, dtype="<f4")
            self._tell(answer, samples.reshape(-1).view(np.uint8).data)

    def _report(self) -> None:
        status_s = 0.0
        told_locked = False
        while not self._ending.is_set():
            for number, play in list(self._plays.items()):
                if play.done:
                    del self._plays[number]
                    self._tell({"done": number, "late_s": play.late_s, "missed_s": play.missed_s})
            now_s = self._clock.now_s()
            locked = self._desk is not None and self._desk.locked
            # the show waits for the lock to arm its scenes
            if now_s - status_s >= _STATUS_EVERY_S or locked != told_locked:
                status_s, told_locked = now_s, locked
                self._tell({"status": self._status()})
            self._ending.wait(_NEWS_EVERY_S if locked else _LOCK_WITHIN_S)

    def _status(self) -> dict[str, Any]:
        assert self._desk is not None
        counts = self._desk.counts
        return {
            "alive": self._desk.alive(),
            "locked": self._desk.locked,
            "block_frames": self._desk.block_frames,
            "dropouts": counts.dropouts,
            "skipped_frames": counts.skipped_frames,
            "failures": counts.failures,
            "limited_blocks": counts.limited_blocks,
        }

    def _fade(self, desk: LocalSoundDesk) -> None:
        desk.stop_all()
        end_s = self._clock.now_s() + 0.5
        while not desk.quiet and desk.alive() and self._clock.now_s() < end_s:
            self._clock.sleep_s(0.002)
        if desk.alive():
            # What was handed over last must still come out of the loudspeaker.
            self._clock.sleep_s(desk.latency_s + 2.0 * desk.block_frames / desk.rate_hz)
            desk.close()

    def _tell(self, message: dict[str, Any], data: bytes | memoryview = b"") -> None:
        with self._telling, contextlib.suppress(OSError, ValueError):
            write_message(self._news, message, data)


def _come_first() -> None:
    """Take precedence over other programs, where this user may (members of the group `audio` often may).

    All threads need it: the sound card's thread waits for whichever of them holds Python's lock.
    """
    if sys.platform == "win32":
        return
    if sys.platform == "linux":
        with contextlib.suppress(OSError):
            os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(5))
            return
    with contextlib.suppress(OSError):
        os.nice(-10)


def main() -> None:
    """The child."""
    news = begin_child()
    sys.setswitchinterval(_SWITCH_INTERVAL_S)
    _come_first()
    with contextlib.suppress(OSError):  # said in words when the order to open it comes
        import_module("sounddevice")  # slow, and the order to open a card is still on its way
    gc.freeze()  # to look through all that is loaded for garbage would stop the sound for 14 ms
    _Server(sys.stdin.buffer, news).run()


if __name__ == "__main__":
    main()
    # Ending PortAudio may abort or hang where a sound server has died; there is nothing left to save.
    os._exit(0)
