"""DMX fixtures: what each of their slots does, and the values that bring a level and a colour. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from cuesync.devices.ports import WHITE, Colour

Meaning = Literal["dimmer", "red", "green", "blue", "white", "shutter"]

FULL = 255
"""A DMX slot holds 8 bits (ANSI E1.11)."""
SLOTS = 512
"""Slots of a universe (ANSI E1.11)."""
FRAME_S = 22_676e-6
"""A full universe on its wire, which makes 44.1 frames a second (ANSI E1.11)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fixture:
    """A lamp that takes several slots of one universe, from `start_slot` (counted from 1) on.

    `channels`: slot by slot what it does, or the value from 0 to 255 at which it is held whatever happens.
    `rest_level` and `rest_colour`: what it shows while no scare wants it; `safe_level`: in white, while all
    is stopped. `filter_colour` is in front of a lamp without colours of its own. `lamp_delay_s`: from the
    command until it is bright.
    """

    name: str
    universe: int
    start_slot: int
    channels: tuple[Meaning | int, ...]
    shutter_open: int = FULL
    shutter_closed: int = 0
    filter_colour: Colour = WHITE
    rest_level: float = 0.0
    rest_colour: Colour = WHITE
    safe_level: float = 0.0
    lamp_delay_s: float = 0.0

    @property
    def address(self) -> str:
        """How scenes name it as a light."""
        return f"fixture:{self.name}"

    @property
    def slots(self) -> range:
        return range(self.start_slot, self.start_slot + len(self.channels))

    @property
    def has_colours(self) -> bool:
        return any(channel in ("red", "green", "blue") for channel in self.channels)

    def light(self, colour: Colour) -> Colour:
        """The light that it gives when asked for a colour: what its channels, or its filter, let through."""
        if not self.has_colours:
            return self.filter_colour
        common = min(colour) if "white" in self.channels else 0.0
        red, green, blue = (
            max(part if name in self.channels else 0.0, common)
            for name, part in zip(("red", "green", "blue"), colour, strict=True)
        )
        return red, green, blue

    def values(self, level: float, colour: Colour = WHITE) -> bytes:
        """The value of each slot for a level from 0 to 1 in a colour; at 0 it is dark, its shutter closed.

        A dimmer takes the level; without one, the colours are scaled by it. White takes what red, green and
        blue have in common.
        """
        scale = 1.0 if "dimmer" in self.channels and level > 0.0 else level
        red, green, blue = (part * scale for part in colour)
        white = min(red, green, blue) if self.has_colours else scale
        shares = {"dimmer": level, "red": red, "green": green, "blue": blue, "white": white}
        values = {name: _value(share) for name, share in shares.items()}
        values["shutter"] = self.shutter_open if level > 0.0 else self.shutter_closed
        return bytes(channel if isinstance(channel, int) else values[channel] for channel in self.channels)


def _value(share: float) -> int:
    # what is lit at all must not round to dark
    return max(1, round(share * FULL)) if share > 0.0 else 0
