"""What a scene file holds: the only list of its keys, from which checks, messages and JSON schema come."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, field_validator, model_validator

from cuesync.devices.addresses import parse_contact, parse_light
from cuesync.tomlfile import Table

WIDEST_MS = 600_000.0
"""Ten minutes: a scare is over long before."""


class PropPart(Table):
    """The prop: what was measured of it, or its delay and reset given by hand."""

    profile: str | None = Field(None, description="profile file, beside the scene file or with its path")
    trigger_to_pop_ms: float | None = Field(
        # at least 5: no spring is that fast, but somebody who wrote seconds is
        None,
        ge=5,
        le=60_000,
        description="delay from trigger to pop, where there is no profile",
    )
    reset_s: float | None = Field(
        None,
        gt=0,
        le=3600,
        description="from trigger until the prop can be triggered again; overrides what the profile heard",
    )
    pop_contact: str | None = Field(
        None,
        description="contact that the prop itself closes as it pops; with it misfires and drift are seen",
    )
    hold_after_misfires: int = Field(
        3, ge=0, le=100, description="with pop_contact: misfires in a row that hold the scene; 0 = never"
    )
    follow_drift_ms: float = Field(
        0.0,
        ge=0,
        le=500,
        description="with pop_contact: how far the cue may follow the prop's drift by itself",
    )

    @field_validator("pop_contact")
    @classmethod
    def known_contact(cls, value: str | None) -> str | None:
        if value is not None:
            parse_contact(value)
        return value

    @model_validator(mode="after")
    def one_delay(self) -> PropPart:
        if self.profile is None and self.trigger_to_pop_ms is None:
            raise ValueError(
                'the delay is missing. Write profile = "….toml" (made by cuesync measure … --save), '
                "or trigger_to_pop_ms = … if you know it."
            )
        if self.profile is not None and self.trigger_to_pop_ms is not None:
            raise ValueError("both profile and trigger_to_pop_ms are given. Keep one of them.")
        return self


class TriggerPart(Table):
    """The contact that starts the scare."""

    contact: str = Field(
        "key:space", description='"key:space", another key as "key:f", or a MIDI note "midi:60"'
    )
    debounce_ms: float = Field(
        30.0, ge=0, le=1000, description="how long the contact must be open before it counts as released"
    )

    @field_validator("contact")
    @classmethod
    def known_contact(cls, value: str) -> str:
        parse_contact(value)
        return value


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


def _as_list(value: Any) -> Any:
    return [value] if isinstance(value, dict) else value


class Scene(Table):
    """One scare: a prop, its trigger, and the sounds and flashes that go with the pop."""

    title: str = Field(min_length=1, description="what the operator reads")
    bias_ms: float = Field(
        0.0,
        ge=-1000,
        le=1000,
        description="deliberate shift of all sounds; positive = late, the harmless side",
    )
    temperature_c: float = Field(20.0, ge=-60, le=70, description="of the air, for the speed of sound")
    prop: PropPart
    trigger: TriggerPart = Field(default_factory=TriggerPart)
    sound: Annotated[list[SoundPart], BeforeValidator(_as_list)] = Field(
        default_factory=list, description="[sound], or several [[sound]]"
    )
    flash: Annotated[list[FlashPart], BeforeValidator(_as_list)] = Field(
        default_factory=list, description="[flash], or several [[flash]]"
    )
    background: Annotated[list[BackgroundPart], BeforeValidator(_as_list)] = Field(
        default_factory=list, description="[background], or several [[background]]"
    )

    @property
    def highest_output(self) -> int:
        """The sound device needs this many outputs; 0 where the scene has no sound."""
        heard = [sound.outputs for sound in self.sound] + [part.outputs for part in self.background]
        return max((max(outputs) for outputs in heard), default=0)

    @model_validator(mode="after")
    def something_to_do(self) -> Scene:
        if not self.sound and not self.flash:
            raise ValueError(
                'the scene has neither sound nor flash. Add a [sound] with clip = "…", or a [[flash]].'
            )
        return self


def json_schema() -> dict[str, Any]:
    """JSON schema (2020-12) of a scene file, for editors that check TOML as it is typed."""
    schema = Scene.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    for name in ("sound", "flash", "background"):
        entry = schema["properties"][name]
        one = entry.pop("items")
        entry["anyOf"] = [one, {"type": entry.pop("type"), "items": one}]
    return schema
