"""What the user says of the guests' view, of who stands where, and of the night: table [care] of a scene."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Care:
    """Facts that no recording holds; None and empty where the user has not said.

    Lights of scenes with the same `view` are seen together. `flash_area_sr` is the solid angle of all lights
    of the scene, seen by the nearest guest; `flash_reason` is why the user sets the limit of flashes aside.
    `level_dba` was measured `level_distance_m` from the loudspeaker while the scene's loudest clip played.
    The distances of guest, operator and actor count from the loudspeaker.
    """

    view: str = ""
    flash_area_sr: float | None = None
    flash_reason: str = ""
    level_dba: float | None = None
    level_distance_m: float | None = None
    guest_distance_m: float | None = None
    operator_distance_m: float | None = None
    actor_distance_m: float | None = None
    scares_per_hour: float | None = None
    hours: float | None = None


NOTHING_SAID = Care()
