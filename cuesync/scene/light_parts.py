"""The tables of a scene that are seen."""

from __future__ import annotations

from pydantic import Field, field_validator

from cuesync.devices.addresses import parse_light
from cuesync.scene.limits import WIDEST_MS
from cuesync.tomlfile import Table


class FlashPart(Table):
    """One light, on for a while, placed from the pop."""

    at_ms: float = Field(
        ge=-WIDEST_MS, le=WIDEST_MS, description="when the light is on, from the pop; negative = before"
    )
    length_ms: float = Field(gt=0, le=WIDEST_MS, description="how long it stays on")
    light: str = Field(description='MIDI note that switches it, as "midi:36", with channel "midi:10:36"')
    lamp_delay_ms: float = Field(
        0.0,
        ge=0,
        le=5000,
        description="from the command until the lamp is bright: LED about 0, filament about 150",
    )

    @field_validator("light")
    @classmethod
    def known_light(cls, value: str) -> str:
        parse_light(value)
        return value
