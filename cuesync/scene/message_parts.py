"""The tables of a scene that go to other gear: MIDI show control and MIDI time code."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, field_validator, model_validator

from cuesync.devices.show_control import ALL_DEVICES, Command, Gear, checked_cue, show_control
from cuesync.devices.time_code import RATES, FrameRate, parsed
from cuesync.scene.limits import WIDEST_MS
from cuesync.tomlfile import Table


class MessagePart(Table):
    """What everything that goes to other gear has."""

    gear_delay_ms: float = Field(
        0.0,
        ge=0,
        le=5000,
        description="from sending until the gear acts; a MIDI cable alone takes 0.32 ms a byte",
    )


class ShowControlPart(MessagePart):
    """One command of MIDI show control, placed from the pop, or sent when all is stopped."""

    at_ms: float | None = Field(
        None, ge=-WIDEST_MS, le=WIDEST_MS, description="when the gear acts, from the pop; negative = before"
    )
    at_stop: bool = Field(
        False, description="in place of at_ms: sent when all is stopped, and when the night ends"
    )
    command: Command = Field(description="a command of MIDI show control")
    gear: Gear = Field("lighting", description="what kind of gear is meant")
    device: int = Field(
        ALL_DEVICES, ge=0, le=ALL_DEVICES, description="0 to 111, a group from 112 to 126, or 127 for all"
    )
    cue: str | None = Field(None, description='number of the cue, as "12.5"')
    cue_list: str | None = Field(None, description="list that the cue is in")
    cue_path: str | None = Field(None, description="path to that list")
    macro: int | None = Field(None, ge=0, le=127, description='which macro to "fire"')

    @field_validator("cue", "cue_list", "cue_path")
    @classmethod
    def known_cue(cls, value: str | None) -> str | None:
        return None if value is None else checked_cue(value)

    @property
    def data(self) -> bytes:
        """The message."""
        cue = tuple(part for part in (self.cue, self.cue_list, self.cue_path) if part is not None)
        return show_control(self.command, gear=self.gear, device=self.device, cue=cue, macro=self.macro)

    @property
    def name(self) -> str:
        """For people: "go 12.5 lighting 1"."""
        what = self.cue if self.macro is None else str(self.macro)
        device = "all" if self.device == ALL_DEVICES else str(self.device)
        return " ".join(word for word in (self.command, what, self.gear, device) if word is not None)

    @model_validator(mode="after")
    def sent_sometime(self) -> ShowControlPart:
        if self.at_stop == (self.at_ms is not None):
            raise ValueError(
                "it must be clear when this is sent. Give at_ms (from the pop), or at_stop = true (when all "
                "is stopped)."
            )
        if (self.cue_path and not self.cue_list) or (self.cue_list and not self.cue):
            raise ValueError("a path needs a list, and a list a cue. Add what is missing.")
        self.data  # noqa: B018  raises for what the standard doesn't have
        return self


class TimeCodePart(MessagePart):
    """MIDI time code, from the trigger until the cue ends."""

    rate: Literal["24", "25", "29.97df", "30"] = Field(description="frames a second; df is drop frame")
    at_pop: str = Field(
        "01:00:00:00", description="the time code at the pop: hours, minutes, seconds, frames"
    )
    off_ms: float | None = Field(
        None,
        ge=-WIDEST_MS,
        le=WIDEST_MS,
        description="when it ends, from the pop; left out: when the cue ends",
    )

    @property
    def frame_rate(self) -> FrameRate:
        return RATES[self.rate]

    @property
    def pop_frame(self) -> int:
        return parsed(self.at_pop, self.frame_rate)

    @model_validator(mode="after")
    def known_time(self) -> TimeCodePart:
        self.pop_frame  # noqa: B018  raises for what is no time at this rate
        return self
