"""What the user says of the guests' view: table [care] of a scene."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Care:
    """Facts that no recording holds; None and empty where the user has not said.

    Lights of scenes with the same `view` are seen together. `flash_area_sr` is the solid angle of all lights
    of the scene, seen by the nearest guest; `flash_reason` is why the user sets the limit of flashes aside.
    """

    view: str = ""
    flash_area_sr: float | None = None
    flash_reason: str = ""


NOTHING_SAID = Care()
