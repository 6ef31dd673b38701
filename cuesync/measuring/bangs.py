"""A microphone tried out: every bang that it hears is told as if a contact had closed for a moment."""

from __future__ import annotations

import math

from cuesync.devices.microphone import Microphones
from cuesync.devices.ports import ContactEdge, EdgeSink
from cuesync.hearing.awaited import APART_S, sudden_sounds

_ON_ITS_WAY_S = 0.25
_EVERY_S = 0.25
_BEFORE_S = 0.1


class BangWatch:
    """Call `look` every now and then; nothing may be played meanwhile."""

    def __init__(self, contact: str, microphones: Microphones, sink: EdgeSink) -> None:
        self._contact = contact
        self._microphones = microphones
        self._sink = sink
        self._looked_to_s = -math.inf
        self._bang_s = -math.inf

    def look(self, now_s: float) -> None:
        """Report what has come in through the sound card since the last look."""
        to_s = now_s - _ON_ITS_WAY_S
        from_s = max(self._looked_to_s, to_s - 4.0 * _EVERY_S)
        if to_s - from_s < _EVERY_S:
            return
        self._looked_to_s = to_s
        heard = self._microphones.recorded(self._contact, from_s - _BEFORE_S, to_s)
        for at_s in [] if heard is None else sudden_sounds(heard):
            if at_s - self._bang_s > APART_S:
                self._bang_s = at_s
                for after_s, closed in ((0.0, True), (APART_S, False)):
                    self._sink(ContactEdge(contact=self._contact, closed=closed, at_s=at_s + after_s))
