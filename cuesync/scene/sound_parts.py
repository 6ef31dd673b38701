"""The tables of a scene that are heard: sounds that go with the pop, and backgrounds."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from cuesync.scene.limits import WIDEST_MS
from cuesync.tomlfile import Table


def _each_once(value: list[int]) -> list[int]:
    if len(set(value)) < len(value):
        raise ValueError(f"{value} names an output twice. Name each output once, for instance [1, 2].")
    return value


class SoundPart(Table):
    """One clip; its hit lands `at_ms` after the pop (negative: before)."""

    clip: str = Field(description="sound file, beside the scene file or with its path")
    hit: Literal["auto", "onset", "attack", "peak"] = Field(
        "auto",
        description="what must meet the pop: its onset, steepest rise (attack) or loudest moment (peak)",
    )
    hit_s: float | None = Field(None, ge=0, description="the hit given by hand, from the start of the clip")
    at_ms: float = Field(
        0.0, ge=-WIDEST_MS, le=WIDEST_MS, description="where the hit lands, from the pop; negative = before"
    )
    level_db: float = Field(0.0, ge=-120, le=24, description="change of level")
    speaker_distance_m: float = Field(0.0, ge=0, le=200, description="from the loudspeaker to the guest")
    output_latency_ms: float | None = Field(
        None,
        ge=0,
        le=5000,
        description="from the laptop to the loudspeaker; without it the show asks the sound device",
    )
    outputs: list[Annotated[int, Field(ge=1, le=64)]] = Field(
        default_factory=lambda: [1, 2], min_length=1, description="channels of the sound device, from 1"
    )

    @field_validator("outputs")
    @classmethod
    def each_output_once(cls, value: list[int]) -> list[int]:
        return _each_once(value)

    @model_validator(mode="after")
    def one_hit(self) -> SoundPart:
        if self.hit_s is not None and "hit" in self.model_fields_set:
            raise ValueError(
                "both hit and hit_s are given. Keep hit_s for a time of your own, or hit to have it found."
            )
        return self


class BackgroundPart(Table):
    """A clip that runs round and round while the scene is in use, and dips around the pop."""

    clip: str = Field(description="sound file, beside the scene file or with its path")
    level_db: float = Field(0.0, ge=-120, le=24, description="change of level")
    outputs: list[Annotated[int, Field(ge=1, le=64)]] = Field(
        default_factory=lambda: [1, 2], min_length=1, description="channels of the sound device, from 1"
    )
    dip_db: float = Field(
        -12.0, ge=-120, le=0, description="change of level around the pop, on top of level_db"
    )
    dip_before_ms: float = Field(
        500.0, ge=0, le=WIDEST_MS, description="how long before the pop the dip begins"
    )
    dip_after_ms: float = Field(1000.0, ge=0, le=WIDEST_MS, description="how long after the pop the dip ends")

    @field_validator("outputs")
    @classmethod
    def each_output_once(cls, value: list[int]) -> list[int]:
        return _each_once(value)
