"""The table of a scene about people: what they see together, where they stand, how long the night is."""

from __future__ import annotations

from pydantic import Field, field_validator, model_validator

from cuesync.tomlfile import Table


class CarePart(Table):
    """What `cuesync check` can't know by itself; every key may be left out."""

    view: str = Field(
        "",
        description="name of what guests see at one time, as a room; flashes of scenes in one view add up",
    )
    flash_area_sr: float | None = Field(
        None,
        gt=0,
        le=13,
        description="solid angle of all lights of the scene for the nearest guest: area / distance squared",
    )
    flash_reason: str = Field("", description="why you set the limit of flashes aside; printed and logged")
    level_dba: float | None = Field(
        None,
        ge=30,
        le=150,
        description="A-weighted level that a sound level meter reads while the scene's loudest clip plays",
    )
    level_distance_m: float | None = Field(
        None, ge=0.1, le=200, description="from the loudspeaker to the meter when level_dba was read"
    )
    guest_distance_m: float | None = Field(
        None,
        ge=0.1,
        le=200,
        description="from the loudspeaker to the nearest guest; without it the smallest speaker_distance_m",
    )
    operator_distance_m: float | None = Field(
        None, ge=0.1, le=200, description="from the loudspeaker to the operator's ear"
    )
    actor_distance_m: float | None = Field(
        None, ge=0.1, le=200, description="from the loudspeaker to the ear of an actor who stays beside it"
    )
    scares_per_hour: float | None = Field(
        None, gt=0, le=3600, description="or groups that come, in the busiest hour"
    )
    hours: float | None = Field(None, gt=0, le=24, description="how long the night is")

    @field_validator("flash_reason")
    @classmethod
    def written_reason(cls, value: str) -> str:
        if value and not value.strip():
            raise ValueError("the reason is blank. Write in a few words why more flashes are right here.")
        return value.strip()

    @model_validator(mode="after")
    def level_with_its_distance(self) -> CarePart:
        if (self.level_dba is None) != (self.level_distance_m is None):
            raise ValueError(
                "level_dba and level_distance_m belong together. Give both: what the meter read, and how far "
                "from the loudspeaker it was."
            )
        return self
