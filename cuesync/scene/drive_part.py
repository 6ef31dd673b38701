"""The table of a scene that lets cuesync itself start the prop."""

from __future__ import annotations

from pydantic import Field, field_validator

from cuesync.devices.output_addresses import parse_output
from cuesync.tomlfile import Table


class DrivePart(Table):
    """The output that starts the prop: a relay, a motor driver, a valve."""

    output: str = Field(
        description='what is switched: "board:PORT:NAME", "gpio:22", "gpio:22 low", "serial:PORT:rts"'
    )
    max_on_s: float = Field(
        gt=0,
        le=300,
        description="the longest that it may be on; with limit_contact it goes off as soon as that closes",
    )
    output_delay_ms: float = Field(
        0.0,
        ge=0,
        le=5000,
        description="from the command until the prop has its power: a relay takes about 10",
    )
    hold_back_ms: float = Field(
        10_000.0,
        ge=0,
        le=60_000,
        description="how much later than the press the prop may be started, for clips with a long lead-in; "
        "0: their heads are cut instead",
    )

    @field_validator("output")
    @classmethod
    def known_output(cls, value: str) -> str:
        parse_output(value)
        return value
