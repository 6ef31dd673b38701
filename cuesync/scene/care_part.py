"""The table of a scene about people: what they see together."""

from __future__ import annotations

from pydantic import Field, field_validator

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

    @field_validator("flash_reason")
    @classmethod
    def written_reason(cls, value: str) -> str:
        if value and not value.strip():
            raise ValueError("the reason is blank. Write in a few words why more flashes are right here.")
        return value.strip()
