"""The tables of a scene that are seen: shapes of light, each placed from the pop."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, Field, field_validator, model_validator

from cuesync.devices.light_addresses import parse_light
from cuesync.scene.limits import WIDEST_MS
from cuesync.tomlfile import Table


def _known_colour(value: str) -> str:
    if re.fullmatch("#[0-9a-fA-F]{6}", value) is None:
        raise ValueError(f'"{value}" is not a colour. Write red, green and blue as in "#ff0000".')
    return value


ColourText = Annotated[str, AfterValidator(_known_colour)]
"""Red, green and blue as "#rrggbb"."""


class LightPart(Table):
    """What every shape of light has."""

    at_ms: float = Field(
        ge=-WIDEST_MS, le=WIDEST_MS, description="when the shape begins, from the pop; negative = before"
    )
    light: str = Field(
        description='what is switched: MIDI note "midi:36" or "midi:10:36", controller "midi-cc:1:7", '
        'DMX slot "dmx:1:17", "fixture:NAME", "board:PORT:NAME", "osc:HOST:PORT/PATH"'
    )
    lamp_delay_ms: float | None = Field(
        None,
        ge=0,
        le=5000,
        description="from the command until the lamp is bright, in place of its fixture's: LED about 0, "
        "filament 150 to 250",
    )
    priority: int = Field(
        100, ge=0, le=200, description="of several shapes on one light the highest decides (range of E1.31)"
    )

    @field_validator("light")
    @classmethod
    def known_light(cls, value: str) -> str:
        parse_light(value)
        return value


class ColouredPart(LightPart):
    """A shape in one colour."""

    colour: ColourText = Field(
        "#ffffff", description='red, green and blue as "#rrggbb", where the lamp has colours'
    )


class LitPart(ColouredPart):
    """A shape with one level and one colour."""

    level: float = Field(1.0, gt=0, le=1, description="how bright: 1 is full")


class FlashPart(LitPart):
    """One light, on for a while, placed from the pop."""

    length_ms: float = Field(gt=0, le=WIDEST_MS, description="how long it stays on")


class StrobePart(LitPart):
    """Flashes one after the other."""

    length_ms: float = Field(
        gt=0, le=WIDEST_MS, description="how long it goes on; only whole flashes are given"
    )
    rate_hz: float = Field(gt=0, le=50, description="flashes a second")
    duty: float = Field(
        0.5, ge=0.01, le=0.99, description="the part of each flash's time that the light is on"
    )


class BlackoutPart(LightPart):
    """The light stays dark, even where other shapes of its priority or below, or its rest, want it lit."""

    length_ms: float = Field(gt=0, le=WIDEST_MS, description="how long it stays dark")


class FadePart(ColouredPart):
    """From one level to another in even steps; after that the light goes to its rest."""

    length_ms: float = Field(gt=0, le=WIDEST_MS, description="from the first level to the end of the last")
    from_level: float = Field(ge=0, le=1, description="level at the beginning")
    to_level: float = Field(ge=0, le=1, description="level at the end")

    @model_validator(mode="after")
    def goes_somewhere(self) -> FadePart:
        if self.from_level == self.to_level:
            raise ValueError(
                "from_level and to_level are the same. Give two levels, or write a [[flash]] with that level."
            )
        return self


class FlickerPart(ColouredPart):
    """Like a flame or a bad lamp: levels that jump at uneven times, the same in every scare."""

    length_ms: float = Field(gt=0, le=WIDEST_MS, description="how long it goes on")
    low_level: float = Field(0.0, ge=0, le=1, description="never darker than this")
    high_level: float = Field(1.0, gt=0, le=1, description="never brighter than this")
    highest_rate_hz: float = Field(
        3.0, gt=0, le=20, description="it brightens no more than this many times a second"
    )
    seed: int = Field(1, ge=0, le=2**31 - 1, description="another number gives another flicker")

    @model_validator(mode="after")
    def low_below_high(self) -> FlickerPart:
        if self.low_level >= self.high_level:
            raise ValueError(
                f"low_level ({self.low_level:g}) is not below high_level ({self.high_level:g}). "
                "Write the darker one as low_level."
            )
        return self


class EyesPart(LitPart):
    """Eyes that come on and stay on, until a moment from the pop or until the cue ends."""

    off_ms: float | None = Field(
        None,
        ge=-WIDEST_MS,
        le=WIDEST_MS,
        description="when they go off, from the pop; left out: when the cue ends",
    )

    @model_validator(mode="after")
    def off_after_on(self) -> EyesPart:
        if self.off_ms is not None and self.off_ms <= self.at_ms:
            raise ValueError(
                f"off_ms ({self.off_ms:g}) is not after at_ms ({self.at_ms:g}). Both count from the pop; "
                "leave off_ms out to keep the eyes on until the cue ends."
            )
        return self
