"""What a scene file holds: the only list of its keys, from which checks, messages and JSON schema come."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator, Field, model_validator

from cuesync.scene.care_part import CarePart
from cuesync.scene.light_parts import FlashPart
from cuesync.scene.prop_part import PropPart, TriggerPart
from cuesync.scene.sound_parts import BackgroundPart, SoundPart
from cuesync.tomlfile import Table


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
    care: CarePart = Field(default_factory=CarePart, description="what guests see together")

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
