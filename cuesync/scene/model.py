"""What a scene file holds: the only list of its keys, from which checks, messages and JSON schema come."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, model_validator

from cuesync.scene.care_part import CarePart
from cuesync.scene.drive_part import DrivePart
from cuesync.scene.fixture_part import FixturePart
from cuesync.scene.light_parts import (
    BlackoutPart,
    EyesPart,
    FadePart,
    FlashPart,
    FlickerPart,
    LightPart,
    StrobePart,
)
from cuesync.scene.message_parts import ShowControlPart, TimeCodePart
from cuesync.scene.prop_part import PropPart, TriggerPart
from cuesync.scene.sound_parts import BackgroundPart, SoundPart
from cuesync.tomlfile import Table
from cuesync.tomllines import KeyPath


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
    drive: DrivePart | None = Field(None, description="where cuesync itself starts the prop: by what")
    sound: Annotated[list[SoundPart], BeforeValidator(_as_list)] = Field(
        default_factory=list, description="[sound], or several [[sound]]"
    )
    flash: Annotated[list[FlashPart], BeforeValidator(_as_list)] = Field(
        default_factory=list, description="[flash], or several [[flash]]"
    )
    strobe: Annotated[list[StrobePart], BeforeValidator(_as_list)] = Field(
        default_factory=list, description="[strobe], or several [[strobe]]"
    )
    blackout: Annotated[list[BlackoutPart], BeforeValidator(_as_list)] = Field(
        default_factory=list, description="[blackout], or several [[blackout]]"
    )
    fade: Annotated[list[FadePart], BeforeValidator(_as_list)] = Field(
        default_factory=list, description="[fade], or several [[fade]]"
    )
    flicker: Annotated[list[FlickerPart], BeforeValidator(_as_list)] = Field(
        default_factory=list, description="[flicker], or several [[flicker]]"
    )
    eyes: Annotated[list[EyesPart], BeforeValidator(_as_list)] = Field(
        default_factory=list, description="[eyes], or several [[eyes]]"
    )
    fixture: Annotated[list[FixturePart], BeforeValidator(_as_list)] = Field(
        default_factory=list, description="[fixture], or several [[fixture]]"
    )
    show_control: Annotated[list[ShowControlPart], BeforeValidator(_as_list)] = Field(
        default_factory=list, description="[show_control], or several [[show_control]]"
    )
    time_code: TimeCodePart | None = Field(None, description="MIDI time code, while the cue runs")
    background: Annotated[list[BackgroundPart], BeforeValidator(_as_list)] = Field(
        default_factory=list, description="[background], or several [[background]]"
    )
    care: CarePart = Field(
        default_factory=CarePart,
        description="what guests see together, levels and distances, how long the night is",
    )

    @property
    def highest_output(self) -> int:
        """The sound device needs this many outputs; 0 where the scene has no sound."""
        heard = [sound.outputs for sound in self.sound] + [part.outputs for part in self.background]
        return max((max(outputs) for outputs in heard), default=0)

    @property
    def light_parts(self) -> tuple[tuple[KeyPath, LightPart], ...]:
        """Every shape of light, with the key of its table."""
        tables: dict[str, Sequence[LightPart]] = {
            "flash": self.flash,
            "strobe": self.strobe,
            "blackout": self.blackout,
            "fade": self.fade,
            "flicker": self.flicker,
            "eyes": self.eyes,
        }
        return tuple(
            ((name, place), part) for name, table in tables.items() for place, part in enumerate(table)
        )

    @model_validator(mode="after")
    def something_to_do(self) -> Scene:
        if not self.sound and not self.light_parts and not self.show_control and not self.time_code:
            raise ValueError(
                'the scene has neither sound nor light. Add a [sound] with clip = "…", or a [[flash]].'
            )
        return self


_LISTS = (
    "sound",
    "flash",
    "strobe",
    "blackout",
    "fade",
    "flicker",
    "eyes",
    "fixture",
    "show_control",
    "background",
)
"""Tables that may stand once, or several times in double brackets."""


def json_schema() -> dict[str, Any]:
    """JSON schema (2020-12) of a scene file, for editors that check TOML as it is typed."""
    schema = Scene.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    for name in _LISTS:
        entry = schema["properties"][name]
        one = entry.pop("items")
        entry["anyOf"] = [one, {"type": entry.pop("type"), "items": one}]
    return schema
