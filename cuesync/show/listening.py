"""Listens for pops: asks the microphone what it heard around each, and the sound desk what was played.

A worker of its own, because the answer takes a while to reckon and nobody else may wait for it.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from cuesync.devices.microphone import Microphones
from cuesync.devices.ports import Clock
from cuesync.hearing.awaited import (
    AHEAD_S,
    BEHIND_S,
    EARLIEST_S,
    LATEST_S,
    AwaitedPop,
    Finding,
    Stretch,
    Verdict,
)
from cuesync.show.sound import SoundDesk

ON_ITS_WAY_S = 0.25
"""What was heard takes up to this long to come through the sound card; longer ways are rare."""

ANSWER_WITHIN_S = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Listening:
    """What is listened for: a pop between two host times, of a press at `trigger_s`, by the ear that knows
    this prop. `answer` is called on the listener's thread."""

    ear: AwaitedPop
    contact: str
    trigger_s: float
    early_s: float
    late_s: float
    answer: Callable[[Finding], None]

    @property
    def due_s(self) -> float:
        return self.late_s + BEHIND_S + ON_ITS_WAY_S


class Listener:
    """A worker (see `devices.ports`). `listen` is for the show's thread."""

    def __init__(self, clock: Clock, sound: SoundDesk | None, microphones: Mapping[str, Microphones]) -> None:
        """`microphones`: who serves each contact."""
        self._clock = clock
        self._sound = sound
        self._microphones = dict(microphones)
        self._waiting: deque[Listening] = deque()
        self.wake: Callable[[], None] = lambda: None
        if sound is not None and microphones:
            sound.keep_played()

    def listen(self, listening: Listening) -> None:
        self._waiting.append(listening)
        self.wake()

    def next_s(self) -> float:
        return min((listening.due_s for listening in tuple(self._waiting)), default=math.inf)

    def work(self, now_s: float) -> None:
        for listening in tuple(self._waiting):
            if listening.due_s <= now_s:
                self._waiting.remove(listening)
                listening.answer(self._find(listening))

    def _find(self, listening: Listening) -> Finding:
        from_s = max(listening.trigger_s, listening.early_s - AHEAD_S)
        to_s = listening.late_s + BEHIND_S
        microphone = self._microphones.get(listening.contact)
        heard = None if microphone is None else microphone.recorded(listening.contact, from_s, to_s)
        if heard is None:
            return _unsure("the microphone was gone, or some of its sound was lost")
        played: Stretch | None = None
        if self._sound is not None:
            played = self._sound.played(from_s - LATEST_S, to_s + EARLIEST_S)
            if played is None:
                return _unsure("what was played meanwhile is not known")
        return listening.ear.listen(heard, played, listening.early_s, listening.late_s)


def _unsure(reason: str) -> Finding:
    return Finding(verdict=Verdict.UNSURE, reason=reason)
