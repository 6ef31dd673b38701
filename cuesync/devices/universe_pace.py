"""When packets of a DMX universe go out: changes at once, repeats, and DMX's rate on the whole. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from cuesync.devices.fixtures import FRAME_S

AT_ONCE = 4
"""Packets of one universe that may follow each other without a DMX frame between them."""
_AGAIN = 2  # so a change is sent three times before the slow repeats begin (ANSI E1.31, 6.6.2, from memory)
_AGAIN_S = 2.0 * FRAME_S
REPEAT_S = 0.9
"""E1.31 asks for 800 to 1000 ms."""


@dataclass(slots=True, kw_only=True, eq=False)
class UniversePace:
    """`waiting`: something has changed since the last packet."""

    sent_s: float = float("-inf")
    paid_s: float = float("-inf")  # until when the packets so far take up the universe at DMX's rate
    waiting: bool = False
    again: int = 0

    @property
    def due_s(self) -> float:
        """When the next packet goes out, if nothing more changes."""
        if self.waiting:
            return self.paid_s - (AT_ONCE - 1) * FRAME_S
        return self.sent_s + (_AGAIN_S if self.again else REPEAT_S)

    def sent(self, now_s: float) -> None:
        """A packet went out with all that has changed."""
        self.again = _AGAIN if self.waiting else max(0, self.again - 1)
        self.waiting = False
        self.sent_s = now_s
        self.paid_s = max(self.paid_s, now_s) + FRAME_S
