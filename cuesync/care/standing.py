"""Cautions that hold for every prop, whatever the scene. They inform; local codes decide."""

from __future__ import annotations

NO_EMERGENCY_STOP = (
    "cuesync is no emergency stop. A computer must not be the only thing between a person and a moving prop: "
    "fit a hard-wired switch that cuts the prop's power."
)

STANDING = (
    NO_EMERGENCY_STOP,
    "A wound spring bites. Cut the power and relieve or block the spring before hands go in "
    "(OSHA 1910.147(d)(5)(i)); keep gaps that can't crush fingers, hands or heads.",
    "Mains wiring and fire systems are for licensed trades; run props on a fused low-voltage supply.",
    "Keep ways out free and lit. When the alarm goes, light must come up, and scare sound and flashes must "
    "stop (NFPA 101, special amusement buildings): let the alarm system do that, not the laptop.",
    "Local codes and the authority having jurisdiction come first.",
)

FLASH_NOTICE = (
    "Flashing light can trigger seizures. Put a notice at the entrance where people can still turn back: "
    '"Flashing lights and sudden loud sounds are used inside."'
)
