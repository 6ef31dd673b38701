"""The table of a scene that describes a DMX fixture."""

from __future__ import annotations

from typing import Annotated, Any, Literal, get_args

from pydantic import Field, field_validator, model_validator

from cuesync.devices.fixtures import FULL, SLOTS, Meaning
from cuesync.devices.light_addresses import parse_light
from cuesync.scene.light_parts import ColourText
from cuesync.tomlfile import Table

_Held = Annotated[int, Field(ge=0, le=FULL)]


class FixturePart(Table):
    """A lamp that takes several slots of a DMX universe."""

    name: str = Field(description='shapes of light refer to it as light = "fixture:NAME"')
    universe: int = Field(ge=1, le=63999, description="E1.31 universe")
    start_slot: int = Field(ge=1, le=SLOTS, description="its first slot, as set on the fixture")
    channels: list[Meaning | _Held] = Field(
        min_length=1,
        description="what its slots do, in order: dimmer, red, green, blue, white, shutter, or a number from "
        "0 to 255 at which the slot is held",
    )
    shutter_open: int | None = Field(
        None, ge=0, le=FULL, description="value of the shutter's slot while it is lit, from its manual"
    )
    shutter_closed: int = Field(0, ge=0, le=FULL, description="value of the shutter's slot while it is dark")
    filter_colour: ColourText = Field(
        "#ffffff", description="of the filter in front of a lamp without colours of its own; red ones count"
    )
    rest_level: float = Field(0.0, ge=0, le=1, description="what it shows while no scare wants it")
    rest_colour: ColourText = Field("#ffffff", description="colour of that")
    safe_level: float = Field(
        0.0, ge=0, le=1, description="in white while all is stopped: more than 0 makes it a house light"
    )
    lamp: Literal["led", "incandescent"] = Field(
        "led",
        description="an incandescent lamp is counted as bright 250 ms after the command, an LED at once",
    )
    lamp_delay_ms: float | None = Field(
        None, ge=0, le=5000, description="from the command until it is bright, as measured; in place of lamp"
    )

    @field_validator("name")
    @classmethod
    def usable_name(cls, value: str) -> str:
        parse_light(f"fixture:{value}")
        return value

    @field_validator("channels", mode="before")
    @classmethod
    def known_channels(cls, value: Any) -> Any:
        for place, channel in enumerate(value if isinstance(value, list) else [], 1):
            held = isinstance(channel, int) and not isinstance(channel, bool) and 0 <= channel <= FULL
            if not held and channel not in get_args(Meaning):
                raise ValueError(
                    f"{channel!r} is no meaning of a channel (number {place} of the list). Write "
                    f"{', '.join(get_args(Meaning))}, or a number from 0 to {FULL} at which it is held."
                )
        return value

    @model_validator(mode="after")
    def lights_up(self) -> FixturePart:
        if not set(self.channels) & {"dimmer", "red", "green", "blue", "white"}:
            raise ValueError(
                "none of its channels gives light. Name the channel of the dimmer, or those of its colours."
            )
        if ("shutter" in self.channels) != (self.shutter_open is not None):
            raise ValueError(
                "a shutter among the channels and shutter_open belong together. Give the value that opens "
                "it, from the fixture's manual, or leave both out."
            )
        if self.lamp_delay_ms is not None and "lamp" in self.model_fields_set:
            raise ValueError("both lamp and lamp_delay_ms are given. Keep one of them.")
        coloured = bool(set(self.channels) & {"red", "green", "blue"})
        if coloured and self.filter_colour.lower() != "#ffffff":
            raise ValueError("filter_colour is for a lamp without colours of its own. Leave it out.")
        if not coloured and self.rest_colour.lower() != "#ffffff":
            raise ValueError(
                "rest_colour asks for a colour, but none of its channels is red, green or blue. Leave it "
                "out; a filter in front of the lamp is filter_colour."
            )
        return self
